"""Bytes to and from a port: every wait has a total deadline, and a line without its end is never data."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from stacker.errors import LinkError
from stacker.rail.clock import Clock, SystemClock

if TYPE_CHECKING:
    import serial

SIMULATOR = "stacker.rail.simulated"
SCHEMES = ("sim", "socket", "rfc2217")
LONGEST_LINE = 64  # bytes, line feed included; protocol page, section 2
SLICE_S = 0.05  # the longest that a read blocks: an interrupt is seen within it
WRITE_TIMEOUT_S = 2.0  # zero would spin for ever on a full buffer

# pyserial's own exception is an OSError
if sys.platform == "win32":
    _GONE: tuple[type[Exception], ...] = (OSError, TypeError)
else:  # a vanished terminal raises termios.error, which is no OSError; closing during a read a TypeError
    import termios

    _GONE = (OSError, TypeError, termios.error)


@contextmanager
def port_errors(url: str) -> Iterator[None]:
    """Turn whatever a vanished port raises into one error."""
    try:
        yield
    except _GONE as error:
        raise LinkError(
            f"{url}: the port is gone ({error}). Look at cable and supply, then go on with --resume.",
            code="port_gone",
        ) from error


class Lines(Protocol):
    """What a controller speaks through: `Link`, or what stands in for one where there is no port."""

    clock: Clock
    url: str  # as messages call it
    byte_s: float  # how long a byte takes
    least_byte_s: float  # at least, where a network may have it sooner

    def send(self, data: bytes) -> None:
        """Send bytes at once."""

    def read_line(self, deadline_s: float) -> bytes | None:
        """The next whole line without its line feed; None soon after the deadline, or at most one slice later."""

    @property
    def pending(self) -> bool:
        """Whether bytes have come that nobody has read; never waits."""

    def close(self) -> None:
        """Let go of the port."""


class Link:
    """An open port that speaks lines.

    Parameters
    ----------
    port : serial.Serial
        Open, with a read timeout of at most `SLICE_S`.
    clock : Clock
        The time that deadlines are told in [s].
    longest : int
        Longer lines are no data [bytes].
    """

    def __init__(self, port: serial.Serial, clock: Clock, *, longest: int = LONGEST_LINE) -> None:
        self._longest = longest
        self._port = port
        self.clock = clock
        self.url = str(port.port).partition("?")[0]  # as messages call it
        self.byte_s = 10 / (port.baudrate or 115_200)
        # behind a network a byte may have been on its way for no time at all
        self.least_byte_s = 0.0 if "://" in self.url and not self.url.startswith("sim://") else self.byte_s
        self._buffer = bytearray()
        self._overlong = False

    def send(self, data: bytes) -> None:
        """Send bytes at once.

        Raises
        ------
        LinkError
            When the port is gone or does not take them in time.
        """
        with port_errors(self.url):
            self._port.write(data)

    def read_line(self, deadline_s: float) -> bytes | None:
        """The next whole line without its line feed, or None at most one slice later when there is none.

        Parameters
        ----------
        deadline_s : float
            Give up at this time of the clock; what has arrived by then is still returned.

        Raises
        ------
        LinkError
            When the port is gone.
        """
        while True:
            end = self._buffer.find(b"\n")
            if end >= 0:
                line = bytes(self._buffer[:end])
                del self._buffer[: end + 1]
                if self._overlong or end >= self._longest:
                    self._overlong = False
                    continue
                return line
            if len(self._buffer) > self._longest:
                self._buffer.clear()
                self._overlong = True
            with port_errors(self.url):
                chunk = self._port.read(max(1, self._port.in_waiting))
            self._buffer += chunk
            if not chunk:
                return None
            if self.clock.now() >= deadline_s and b"\n" not in self._buffer:
                return None

    @property
    def pending(self) -> bool:
        """Whether bytes have come that nobody has read; never waits."""
        with port_errors(self.url):
            return bool(self._buffer) or self._port.in_waiting > 0

    def close(self) -> None:
        """Let go of the port; a port that is gone already is no fault."""
        left_open = getattr(self._port, "_socket", None)  # pyserial 3.5 forgets a socket whose other side is closed
        with contextlib.suppress(*_GONE):
            self._port.close()
        if left_open is not None:
            left_open.close()


def ports() -> list[tuple[str, str]]:
    """Names and descriptions of this computer's serial ports."""
    from serial.tools.list_ports import comports

    return [(port.device, port.description or "") for port in comports()]


def refuse_other_schemes(url: str) -> None:
    """Take no URL but those that lead to a rail: pyserial knows some that write files, or take any device they find.

    Raises
    ------
    LinkError
        With those that are accepted.
    """
    scheme, mark, _ = url.partition("://")
    if mark and scheme not in SCHEMES:
        known = ", ".join(f"{name}://" for name in SCHEMES)
        raise LinkError(
            f"{url}: not a port; write its name as 'stacker rail ports' lists it, or {known}", code="port_open"
        )


def open_link(url: str, baud: int, *, clock: Clock | None = None, longest: int = LONGEST_LINE) -> Link:
    """Open a port: a name of the system (``/dev/ttyUSB0``, ``COM3``) or a URL (``sim://``, ``socket://``).

    The modem lines are told to stay low before opening, since on many boards they reset the controller; some systems
    raise them for a moment all the same.

    Parameters
    ----------
    url : str
        The port.
    baud : int
        Speed of the line [bit/s].
    clock : Clock, optional
        The system's unless given; a simulated rail brings its own.
    longest : int
        Longer lines are no data [bytes].

    Raises
    ------
    LinkError
        When it cannot be opened, or another program holds it.
    """
    import serial  # here, so that a dry run does without it

    refuse_other_schemes(url)
    if SIMULATOR not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(SIMULATOR)
    try:
        port = serial.serial_for_url(
            url,
            do_not_open=True,
            baudrate=baud,
            timeout=SLICE_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=None if "://" in url else True,
        )
        port.dtr = False
        port.rts = False
        port.open()
    except (ValueError, *_GONE) as error:
        raise LinkError(
            f"{url}: cannot be opened ({error}). 'stacker rail ports' lists the ports; close programs that use it.",
            code="port_open",
        ) from error
    return Link(port, clock or getattr(port, "clock", None) or SystemClock(), longest=longest)
