"""From the profile's ``via`` to a shutter."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stacker.rail.rail import Rail
from stacker.rail.shutter import ManualShutter, RailShutter, Shutter, ShutterSettings


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
