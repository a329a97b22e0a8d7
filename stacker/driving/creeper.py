"""Small slow moves of a rail of which nobody knows where it is, at the person's word."""

from __future__ import annotations

from stacker.driving.bring_up import by, go
from stacker.errors import Refusal
from stacker.rail.rail import Rail


class Creeper:
    """What it was moved by since its position was lost; never more than its travel, for then it must be at an end.

    No soft limit holds meanwhile: they are places, and no place is known. The limit switches do.
    """

    def __init__(self) -> None:
        self._began_at: int | None = None  # by the controller's count, which goes on [microsteps]
        self._low = self._high = 0  # how far it was from there, either way

    def go(self, rail: Rail, distance: int) -> None:
        """Move by that, positive deeper [microsteps].

        Raises
        ------
        Refusal
            When that is more than 1 mm, or more than the travel in all: nothing moves.
        RunStopped
            When it ended early.
        """
        errand = by(rail, distance)
        began_at = errand.start.position if self._began_at is None else self._began_at
        away = errand.target - began_at
        low, high = min(self._low, away), max(self._high, away)
        settings = rail.settings
        travel_mm = settings.travel / settings.microsteps_per_mm
        if high - low > settings.travel:
            raise Refusal(
                f"that would add up to more than its whole travel, {travel_mm:g} mm: it must be at one of its ends. "
                "Look at it. Nothing moved.",
                code="beyond_travel",
                key="rail.travel_mm",
            )
        self._began_at, self._low, self._high = began_at, low, high
        go(rail, errand)

    def moved_text(self, rail: Rail) -> str:
        """How far it is from where the first such move began."""
        if self._began_at is None:
            return ""
        away = rail.controller.where().position - self._began_at
        return f" (moved by {away / rail.settings.microsteps_per_mm:+.4f} mm since)"
