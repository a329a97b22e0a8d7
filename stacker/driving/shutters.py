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
