"""From the profile's ``via`` to a shutter, and a shutter around another one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stacker.driving.job import Job
from stacker.rail.rail import Rail
from stacker.rail.shutter import Ambiguous, ManualShutter, RailShutter, Shutter


def shutter_for(
    rail: Rail,
    job: Job,
    confirm_taken: Callable[[str], bool],
    *,
    open_line: Callable[[str, str], Any] | None = None,
    start: Callable[..., Any] | None = None,
) -> Shutter:
    """A shutter, its port open where it has one; somebody must close it.

    Parameters
    ----------
    rail : Rail
        Stands still during exposures.
    job : Job
        Its shutter, and the pace that this gives to frames.
    confirm_taken : callable
        Asks a person for a frame.
    open_line, start : callable, optional
        Open a modem line, start a process; the real ones unless given.

    Raises
    ------
    LinkError
        When its port cannot be opened.
    """
    one = _one_for(rail, job, confirm_taken, open_line, start)
    return RailBracket(one, rail, job.bracket_stops, job.bracket_gap_s) if job.bracket_stops else one


def _one_for(
    rail: Rail,
    job: Job,
    confirm_taken: Callable[[str], bool],
    open_line: Callable[[str, str], Any] | None,
    start: Callable[..., Any] | None,
) -> Shutter:
    """For one exposure."""
    shutter, pace = job.shutter, job.pace
    if shutter.via in ("rts", "dtr"):
        from stacker.rail.port_shutter import PortShutter, SerialReleaseLine

        return PortShutter(rail, pace, (open_line or SerialReleaseLine)(shutter.port or "", shutter.via))
    if shutter.via == "command":
        from stacker.rail.command_shutter import CommandShutter  # loads subprocess

        starts = {} if start is None else {"start": start}
        return CommandShutter(rail, shutter.command, timeout_s=shutter.timeout_s, delay_s=pace.delay_s, **starts)
    if shutter.via == "manual":
        return ManualShutter(rail, confirm_taken)
    return RailShutter(rail, pace, sync_s=shutter.sync_s)


class ShutterAround:
    """A shutter that hands all on to another one; what is to be more than that stands in a class of it.

    Parameters
    ----------
    shutter : Shutter
        The other one.
    """

    def __init__(self, shutter: Shutter) -> None:
        self._shutter = shutter

    def set_up(self) -> None:
        """Before the first frame."""
        self._shutter.set_up()

    def next_shot(self, at_least: int) -> int:
        """A shot number never used before."""
        return self._shutter.next_shot(at_least)

    def prepare(self, exposure_s: float) -> None:
        """Before a frame, while the rail settles."""
        self._shutter.prepare(exposure_s)

    def lead_s(self) -> float:
        """How long before the due time `fire` must be called [s]."""
        return self._shutter.lead_s()

    def fire(self, shot: int, position: int) -> float:
        """Open the shutter; returns when the contact closed [s of the clock]."""
        return self._shutter.fire(shot, position)

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """Wait until the exposure is over and return the evidence for it."""
        return self._shutter.outcome(shot, opened_s, exposure_s)

    def close(self) -> None:
        """After the last frame."""
        self._shutter.close()


class RailBracket(ShutterAround):
    """A shutter that takes every frame several times, each time for another exposure, before the rail may move.

    A frame is proved when all of its exposures are: what ends it before takes all of them again. Its shot numbers count
    frames; those of the controller count exposures, so many times as many.

    Parameters
    ----------
    shutter : Shutter
        For one exposure.
    rail : Rail
        Stands still.
    stops : tuple of float
        Exposures, in stops from the metered one.
    gap_s : float
        How long after the end of one exposure the next opens [s].
    """

    def __init__(self, shutter: Shutter, rail: Rail, stops: tuple[float, ...], gap_s: float) -> None:
        super().__init__(shutter)
        self._rail, self._gap_s = rail, gap_s
        self._shares = [2**stop for stop in stops]
        self._each_s: list[float] = []
        self._position = 0

    def next_shot(self, at_least: int) -> int:
        """The first that no exposure of the controller belongs to."""
        count = len(self._shares)
        return -(-(super().next_shot((at_least - 1) * count + 1) - 1) // count) + 1

    def prepare(self, exposure_s: float) -> None:
        """Part the whole bracket into its exposures, and set the first."""
        metered_s = (exposure_s - (len(self._shares) - 1) * self._gap_s) / sum(self._shares)
        self._each_s = [share * metered_s for share in self._shares]
        super().prepare(self._each_s[0])

    def fire(self, shot: int, position: int) -> float:
        """The first exposure."""
        self._position = position
        return super().fire(self._first(shot), position)

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """Wait for the first, then take the others; the evidence of the last, since all must have some."""
        del exposure_s
        evidence = super().outcome(self._first(shot), opened_s, self._each_s[0])
        for place in range(1, len(self._each_s)):
            super().prepare(self._each_s[place])
            self._rail.wait_until(opened_s + self._each_s[place - 1] + self._gap_s - self.lead_s())
            self._rail.raise_if_stopped()
            opened_s = super().fire(self._first(shot) + place, self._position)
            evidence = super().outcome(self._first(shot) + place, opened_s, self._each_s[place])
        return evidence

    def _first(self, shot: int) -> int:
        return (shot - 1) * len(self._shares) + 1


class FirstLook(ShutterAround):
    """A shutter that nobody has seen open yet: after its first frame a person looks whether the camera fired.

    Parameters
    ----------
    shutter : Shutter
        Which.
    confirm_taken : callable
        Asks a person whether a frame was taken.
    """

    def __init__(self, shutter: Shutter, confirm_taken: Callable[[str], bool]) -> None:
        super().__init__(shutter)
        self._confirm_taken, self._seen = confirm_taken, False

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """The evidence; for the first frame the person's eyes beside it.

        Raises
        ------
        Ambiguous
            When the camera did not fire.
        """
        evidence = super().outcome(shot, opened_s, exposure_s)
        if not self._seen and not self._confirm_taken("Look at the camera: the first frame must be on its card now"):
            raise Ambiguous(
                "the camera took no picture at the first frame, though the controller acknowledged the trigger. "
                "Compare close_contact and open_contact with the output that the camera's cable is wired to.",
                code="no_exposure",
            )
        self._seen = True
        return evidence
