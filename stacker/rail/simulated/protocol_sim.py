"""``sim://`` for pyserial: `serial.serial_for_url` finds this module once the package is registered."""

from __future__ import annotations

from typing import Any

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from stacker.rail.clock import Clock, SystemClock, clock_for
from stacker.rail.simulated.board import Board, Unplugged, opened
from stacker.rail.simulated.options import SimulatedOptions


class Serial(SerialBase):
    """A port with a simulated rail at its end.

    Attributes
    ----------
    clock : Clock
        The rail's time; a host that waits on it keeps step with the rail, at any ``time_scale``.
    board : Board or None
        What is at the other end, while open.
    """

    _dtr_state: bool
    _rts_state: bool

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.clock: Clock = SystemClock()
        self.board: Board | None = None
        super().__init__(*args, **kwargs)

    def open(self) -> None:
        """Read the URL and switch to the rail's time."""
        if self.is_open:
            raise SerialException("the port is already open")
        try:
            options = SimulatedOptions.from_url(str(self.port))
        except ValueError as error:
            raise SerialException(str(error)) from error
        self.clock = clock_for(options.time_scale)
        try:
            self.board = opened(options, self.clock, dtr=bool(self._dtr_state), rts=bool(self._rts_state))
        except (OSError, KeyError, TypeError, ValueError) as error:
            raise SerialException(f"{self.port}: its state or log cannot be used: {error}") from error
        self.is_open = True

    def close(self) -> None:
        """Remember and let go."""
        if self.is_open and self.board is not None:
            self.board.advance()
            self.board.save()
        self.is_open = False
        self.board = None

    def _wired(self) -> Board:
        if not self.is_open or self.board is None:
            raise PortNotOpenError
        return self.board

    @property
    def in_waiting(self) -> int:
        """Bytes that a read returns at once."""
        try:
            return self._wired().waiting()
        except Unplugged:
            raise OSError(5, "Input/output error") from None  # as a vanished port does

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes; fewer after the timeout, in the rail's time."""
        board = self._wired()
        try:
            end_s = None if self.timeout is None else self.clock.now() + self.timeout
            data = board.read(size)
            while len(data) < size:
                left_s = 3600.0 if end_s is None else end_s - self.clock.now()
                if left_s <= 0:
                    break
                self.clock.sleep(min(left_s, board.next_event_s() + 1e-9))
                data += board.read(size - len(data))
        except Unplugged:
            raise SerialException("device disconnected") from None
        return data

    def write(self, b: Any, /) -> int:
        """Send bytes."""
        data = bytes(b)
        try:
            self._wired().write(data)
        except Unplugged:
            raise SerialException("write failed: device disconnected") from None
        return len(data)

    def flush(self) -> None:
        """Nothing is held back on this side."""
        self._wired()

    def reset_input_buffer(self) -> None:
        """Drop what has arrived."""
        try:
            self._wired().discard()
        except Unplugged:
            raise SerialException("device disconnected") from None

    def reset_output_buffer(self) -> None:
        """Nothing is held back on this side."""
        self._wired()

    def _reconfigure_port(self) -> None:
        """Nothing to configure."""

    def _update_dtr_state(self) -> None:
        board = self.board
        if board is not None and board.options.reset_on_open == "dtr" and self._dtr_state:
            board.reset()

    def _update_rts_state(self) -> None:
        """Not connected."""
