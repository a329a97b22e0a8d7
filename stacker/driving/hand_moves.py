"""Moves of the rail by hand: slow near the subject, nothing past the soft limits.

Every stop is approached from the side from which the run will approach it, so that a mark is where a frame would be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from stacker.driving.bench import make_ready, name_place
from stacker.driving.bring_up import by, go, on_a_switch
from stacker.driving.creeper import Creeper
from stacker.errors import LinkError, Refusal
from stacker.motion.take_up import Direction, before_stop
from stacker.rail.rail import Rail

SEARCH_MM_S = 1.0  # before anything is marked nobody knows where the subject is
NEAR_MM_S = 0.5


class HandMoves:
    """A rail that a person moves.

    Parameters
    ----------
    rail : Rail
        Connected; it knows the soft limits.
    direction : 1 or -1
        From which side every stop is approached: 1 as a run into the subject does, -1 as one out of it.
    take_back_stop : callable
        Called when a stop was obeyed, so that the next move may start.

    Attributes
    ----------
    rail : Rail
        Another one after each obeyed stop.
    known : bool
        Whether the rail knows where it is.
    as_in_a_run : bool
        Whether it stands where a run would have put it, the play taken up.
    """

    def __init__(self, rail: Rail, *, direction: Direction, take_back_stop: Callable[[], None]) -> None:
        self.rail, self._direction, self._take_back_stop = rail, direction, take_back_stop
        self._settings = rail.settings
        self._speed = 0
        self.as_in_a_run = False
        self.known = make_ready(rail).known
        self._creeper = Creeper()
        self._set_limits()

    def _set_limits(self) -> None:
        if self.known:
            self.rail.narrow(self._settings.soft_low, self._settings.soft_high)

    def here(self) -> int:
        """Where the rail is [microsteps].

        Raises
        ------
        Refusal
            When nobody knows.
        """
        if not self.known:
            raise Refusal(self.lost_text(), code="position_unknown")
        return self.rail.here()

    def lost_text(self) -> str:
        """That the position is lost, and what to do about it."""
        moved = self._creeper.moved_text(self.rail)
        gap = "\n" if moved else " "
        return (
            f"position lost{moved}:{gap}read the rail's scale and type, for example, 'here 41.2'\n"
            "(without a scale: measure with a ruler how far it is from the low end of travel)\n"
            "'creep 0.5' moves it even so, slowly, 1 mm at most, and no soft limit applies"
        )

    def name_place(self, position: int) -> None:
        """Take the person's word for where the rail stands [microsteps].

        Raises
        ------
        Refusal
            When it knows already, or cannot stand there.
        """
        if self.known:
            raise Refusal(
                f"the rail knows where it is ({self._settings.mm(self.rail.here()):.4f} mm); here is for a lost "
                "position.",
                code="position_known",
            )
        name_place(self.rail, position)
        self.rail.forget()
        self.known, self._creeper = True, Creeper()
        self._set_limits()

    def creep(self, distance: int) -> None:
        """Move a rail whose position is lost, slowly [microsteps].

        Raises
        ------
        Refusal
            When it is not lost, or for too long a way: nothing moved.
        """
        if self.known:
            raise Refusal("the rail knows where it is: type the distance alone, as +0.5. Nothing moved.", code="known")
        self._creeper.go(self.rail, distance)

    def go(self, position: int, near_from: int | None) -> None:
        """Go there in legs: slowly near the subject, faster elsewhere; the last leg from the side of the run.

        Parameters
        ----------
        position : int
            Where to [microsteps].
        near_from : int or None
            From here on deeper the subject is near [microsteps]; None: nobody knows where it is.

        Raises
        ------
        Refusal
            When nobody knows where the rail is, or for a place outside the soft limits: nothing moved.
        RunStopped
            When the rail stopped on the way.
        """
        here, settings = self.here(), self._settings
        inside = settings.soft_low <= position <= settings.soft_high
        if not inside and not on_a_switch(self.rail):
            low_mm, high_mm = settings.mm(settings.soft_low), settings.mm(settings.soft_high)
            raise Refusal(
                f"{settings.mm(position):.3f} mm is outside the soft limits, {low_mm:.3f} to {high_mm:.3f} mm. "
                "Nothing moved.",
                code="limits",
                key="rail.soft_limits_mm",
            )
        if position == here:
            return
        self.as_in_a_run = False
        if on_a_switch(self.rail):  # off it: slowly, a millimetre at a time
            go(self.rail, by(self.rail, position - here))
            self._set_limits()
            return
        if near_from is not None and min(here, position) < near_from < max(here, position):
            self._set_speed(NEAR_MM_S if here > near_from else None)
            self.rail.move(near_from)
        if near_from is None:
            self._set_speed(SEARCH_MM_S)
        else:
            self._set_speed(NEAR_MM_S if max(position, self.rail.here()) > near_from else None)
        direction = self._direction_at(position)
        self.rail.approach(position, direction)
        self.as_in_a_run = direction == self._direction

    def _direction_at(self, position: int) -> Direction:
        """The run's, except where the take-up would leave the soft limits: there the move goes straight."""
        before = before_stop(position, direction=self._direction, take_up=self._settings.take_up)
        if self._settings.soft_low <= before <= self._settings.soft_high:
            return self._direction
        return 1 if self._direction < 0 else -1

    def _set_speed(self, most_mm_s: float | None) -> None:
        """Let the next move be no faster than that; None: as fast as the profile says."""
        speed = self._settings.speed
        if most_mm_s is not None:
            speed = min(speed, max(1, int(most_mm_s * self._settings.microsteps_per_mm // 1)))
        if speed != self._speed:
            self.rail.settings = replace(self._settings, speed=speed)
            self.rail.set_up()
            self._speed = speed

    def recover(self) -> None:
        """After a move that ended early: at rest again, with a rail that may move.

        Raises
        ------
        LinkError
            When nobody answers.
        """
        if self.rail.come_to_rest() is None:
            raise LinkError("the controller no longer answers. Look at the rail.", code="no_reply")
        self._take_back_stop()
        self.rail = self.rail.renewed()
        self.known, self.as_in_a_run = make_ready(self.rail).known, False
        self._speed = 0
        self._set_limits()
