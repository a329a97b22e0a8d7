"""From the profile's ``via`` to a shutter."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stacker.rail.rail import Rail
from stacker.rail.shutter import Ambiguous, ManualShutter, RailShutter, Shutter, ShutterSettings


def shutter_for(
    rail: Rail,
    settings: ShutterSettings,
    take: Callable[[str], bool],
    *,
    open_line: Callable[[str, str], Any] | None = None,
    start: Callable[..., Any] | None = None,
) -> Shutter:
    """A shutter, its port open where it has one; somebody must close it.

    Parameters
    ----------
    rail : Rail
        Stands still during exposures.
    settings : ShutterSettings
        How.
    take : callable
        Asks a person for a frame.
    open_line, start : callable, optional
        Open a modem line, start a process; the real ones unless given.

    Raises
    ------
    LinkError
        When its port cannot be opened.
    """
    if settings.via in ("rts", "dtr"):
        from stacker.rail.port_shutter import PortShutter, SerialReleaseLine

        return PortShutter(rail, settings, (open_line or SerialReleaseLine)(settings.port or "", settings.via))
    if settings.via == "command":
        from stacker.rail.command_shutter import CommandShutter  # loads subprocess

        return CommandShutter(rail, settings, start) if start else CommandShutter(rail, settings)
    if settings.via == "manual":
        return ManualShutter(rail, take)
    return RailShutter(rail, settings)


class FirstLook:
    """A shutter that nobody has seen open yet: after its first frame a person looks whether the camera fired.

    Parameters
    ----------
    shutter : Shutter
        Which.
    take : callable
        Asks a person whether a frame was taken.
    """

    def __init__(self, shutter: Shutter, take: Callable[[str], bool]) -> None:
        self._shutter, self._take, self._seen = shutter, take, False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._shutter, name)

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """The evidence; for the first frame the person's eyes beside it.

        Raises
        ------
        Ambiguous
            When the camera did not fire.
        """
        evidence = self._shutter.outcome(shot, opened_s, exposure_s)
        if not self._seen and not self._take("Look at the camera: the first frame must be on its card now"):
            raise Ambiguous(
                "the camera took no picture at the first frame, though the controller acknowledged the trigger. "
                "Compare close_contact and open_contact with the output that the camera's cable is wired to.",
                code="no_exposure",
            )
        self._seen = True
        return evidence
