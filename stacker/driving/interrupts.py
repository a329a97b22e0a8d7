"""Signals become a wish that the run looks at every 50 ms: on every system, and never in the middle of a write."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any

from stacker.rail.rail import Wish

if TYPE_CHECKING:
    from typing_extensions import Self

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # the last is Ctrl-Break, on Windows alone


class Interrupts:
    """Within its ``with`` block the first signal asks for a gentle stop, the second for one at once.

    Attributes
    ----------
    count : int
        Signals so far.
    """

    def __init__(self) -> None:
        self.count = 0
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        for name in NAMES:
            number = getattr(signal, name, None)
            if number is None or (name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN):
                continue  # not on this system, or started so that it outlives its terminal
            self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()

    @contextmanager
    def suspended(self) -> Iterator[None]:
        """While a person is asked, an interrupt does what it does everywhere."""
        self.__exit__(None, None, None)
        try:
            yield
        finally:
            self.__enter__()

    def _note(self, number: int, frame: FrameType | None) -> None:
        del frame
        # a closing terminal may say so twice, the shell and the system each: nobody asks for a stop at once by it
        hung_up = signal.Signals(number).name == "SIGHUP"
        self.count = max(self.count, 1) if hung_up else self.count + 1

    def forget(self) -> None:
        """A stop was obeyed: go on."""
        self.count = 0

    def wish(self) -> Wish:
        """What the person wants."""
        return Wish(min(self.count, 2))
