"""The camera's release on RTS or DTR of a serial port of its own.

An adapter's RTS or DTR drives an optocoupler, whose output closes the release contact. The system may raise both lines
for a moment when the port is opened, which fires the camera: open the port first, then plug the camera in.
"""

from __future__ import annotations

import contextlib
from typing import Protocol

from stacker.errors import LinkError
from stacker.motion.frame_clock import Pace
from stacker.rail.link import port_errors, refuse_other_schemes
from stacker.rail.rail import Rail
from stacker.rail.shutter import Ambiguous, check_held


class ReleaseLine(Protocol):
    """One modem line."""

    def set(self, *, on: bool) -> None:
        """Close or open the contact."""

    def close(self) -> None:
        """Open the contact and let go of the port."""


class SerialReleaseLine:
    """RTS or DTR of a serial port.

    Parameters
    ----------
    port : str
        The port.
    line : str
        ``rts`` or ``dtr``.

    Raises
    ------
    LinkError
        When it cannot be opened.
    """

    def __init__(self, port: str, line: str) -> None:
        import serial

        self._url, self._line = port, line
        refuse_other_schemes(port)
        try:
            self._port = serial.serial_for_url(port, do_not_open=True, exclusive=None if "://" in port else True)
            self._port.dtr = self._port.rts = False
            self._port.open()
            self.set(on=False)
        except (ValueError, OSError, LinkError) as error:
            raise LinkError(
                f"{port}: the shutter's port cannot be opened ({error}). 'stacker rail ports' lists the ports.",
                code="port_open",
            ) from error

    def set(self, *, on: bool) -> None:
        """Raise or lower the line.

        Raises
        ------
        LinkError
            When the port is gone.
        """
        with port_errors(self._url):
            setattr(self._port, self._line, on)

    def close(self) -> None:
        """Lower the line and let go of the port; a port that is gone already is no fault."""
        with contextlib.suppress(LinkError):
            self.set(on=False)
            with port_errors(self._url):
                self._port.close()


class PortShutter:
    """A modem line closes the camera's release contact.

    Parameters
    ----------
    rail : Rail
        Stands still meanwhile.
    pace : Pace
        How long the contact closes, and the mirror and lag behind it.
    line : ReleaseLine
        Open, its contact too.
    """

    def __init__(self, rail: Rail, pace: Pace, line: ReleaseLine) -> None:
        self._rail, self._pace, self._line = rail, pace, line
        self._before_s = 0.0  # just before the contact closed

    def set_up(self) -> None:
        """The contact is open."""
        self._line.set(on=False)

    def next_shot(self, at_least: int) -> int:
        """Any number does."""
        return at_least

    def prepare(self, exposure_s: float) -> None:
        """Nothing to set."""

    def lead_s(self) -> float:
        """A modem line changes at once."""
        return 0.0

    def fire(self, shot: int, position: int) -> float:
        """Close the contact; `outcome` opens it again."""
        del position
        self._before_s = self._rail.clock.now()
        try:
            self._line.set(on=True)
        except LinkError as error:
            raise Ambiguous(f"shot {shot} may have fired or not: {error}", code="ambiguous") from error
        return self._rail.clock.now()

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """Open the contact after its time, and wait until the exposure is over.

        Raises
        ------
        Ambiguous
            When the contact could not be opened again, or was held for longer than the exposure asked for.
        """
        pace, rail = self._pace, self._rail
        try:
            rail.wait_until(opened_s + pace.closed_s(exposure_s), through=True)
        finally:
            try:
                self._line.set(on=False)
            except LinkError as error:
                raise Ambiguous(
                    f"the contact may still be closed after shot {shot}: {error}", code="ambiguous"
                ) from error
        if pace.bulb:
            check_held(shot, held_s=rail.clock.now() - self._before_s, asked_s=exposure_s)
        rail.wait_until(opened_s + pace.delay_s + exposure_s, through=True)
        return "pulse"

    def close(self) -> None:
        """Open the contact and let go of the port."""
        self._line.close()
