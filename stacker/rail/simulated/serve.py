"""The simulated rail as a process of its own: on a loopback socket, and on a pseudo-terminal where there is one."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import time
from collections.abc import Callable

from stacker.rail.simulated.board import Board, opened
from stacker.rail.simulated.options import SimulatedOptions

LOOK_EVERY_S = 0.002


class PacedClock:
    """Time that runs `scale` times as fast as the system's; nobody can skip it."""

    def __init__(self, scale: float) -> None:
        self._scale = scale

    def now(self) -> float:
        """Seconds of the rail."""
        return time.monotonic() * self._scale

    def sleep(self, seconds: float) -> None:
        """Wait that long in the rail's time."""
        time.sleep(max(0.0, seconds) / self._scale)


class _Socket:
    """One client at a time on a loopback address; the next one waits."""

    def __init__(self, port: int) -> None:
        self._listener = socket.create_server(("127.0.0.1", port), backlog=1)
        self._client: socket.socket | None = None
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def fileno(self) -> int:
        return (self._client or self._listener).fileno()

    def receive(self) -> bytes | None:
        """Bytes; none for a client that came or went: None when one came."""
        if self._client is None:
            self._client = self._listener.accept()[0]
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return None
        try:
            data = self._client.recv(4096)
        except OSError:
            data = b""
        if not data:
            self._client.close()
            self._client = None
        return data

    def send(self, data: bytes) -> None:
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.sendall(data)

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
        self._listener.close()


class _Terminal:
    """A pseudo-terminal; its far side stays open, so that hosts may come and go."""

    def __init__(self) -> None:
        if sys.platform == "win32":
            raise OSError("this system has no pseudo-terminals: use the socket")
        import tty

        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.address = os.ttyname(self._far)

    def fileno(self) -> int:
        return self._near

    def receive(self) -> bytes | None:
        try:
            return os.read(self._near, 4096)
        except OSError:
            return b""

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):  # a full terminal loses bytes, as a host that does not read does
            os.write(self._near, data)

    def close(self) -> None:
        os.close(self._near)
        os.close(self._far)


def serve(
    options: SimulatedOptions,
    *,
    port: int,
    terminal: bool,
    announce: Callable[[str], None],
    go_on: Callable[[], bool] = lambda: True,
) -> Board:
    """Serve a simulated rail until `go_on` says no.

    Parameters
    ----------
    options : SimulatedOptions
        Its `time_scale` must be finite.
    port : int
        Of the loopback socket; 0: any free one.
    terminal : bool
        A pseudo-terminal instead of the socket.
    announce : callable
        Told the address once it is ready.
    go_on : callable
        Asked every few milliseconds.
    """
    clock = PacedClock(options.time_scale)
    board = opened(options, clock, dtr=False, rts=False)
    side: _Socket | _Terminal = _Terminal() if terminal else _Socket(port)
    try:
        announce(side.address)
        while go_on():
            wait_s = min(LOOK_EVERY_S, board.next_event_s() / options.time_scale)
            if select.select([side], [], [], wait_s)[0]:
                data = side.receive()
                if data:
                    board.write(data)
                elif data is None and options.reset_on_open == "always":
                    board.reset()
            waiting = board.waiting()
            if waiting:
                side.send(board.read(waiting))
    finally:
        board.save()
        side.close()
    return board
