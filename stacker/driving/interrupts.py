"""Signals become a stop order, looked at by the run every 50 ms: on every system, never in the middle of a write."""

from __future__ import annotations

import signal
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any

from stacker.rail.stops import StopOrder

if TYPE_CHECKING:
    from typing_extensions import Self

NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # the last is Ctrl-Break, on Windows alone


def _known(names: Sequence[str]) -> Iterator[int]:
    """The signals of this system; not the one of a closing terminal where the program was started to outlive it."""
    for name in names:
        number = getattr(signal, name, None)
        if number is not None and not (name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN):
            yield number


class Interrupts:
    """Within its ``with`` block the first signal asks for a gentle stop, the second for one at once.

    Attributes
    ----------
    count : int
        Signals so far.
    ending : bool
        Whether one of them asked the program to end: after the move under way, no other is awaited.
    """

    def __init__(self) -> None:
        self.count = 0
        self.ending = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        for number in _known(NAMES):
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
        """While a person is asked, an interrupt does what it does everywhere, and a signal to end does the same.

        It would end the program on the spot, its terminal still in the state in which it gives single keys.
        """
        self.__exit__(None, None, None)
        before = {number: signal.signal(number, self._end) for number in _known(NAMES[1:])}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
            self.__enter__()

    def _end(self, number: int, frame: FrameType | None) -> None:
        del number, frame
        self.ending = True
        raise KeyboardInterrupt

    def _note(self, number: int, frame: FrameType | None) -> None:
        del frame
        # a closing terminal may say so twice, the shell and the system each: nobody asks for a stop at once by it
        name = signal.Signals(number).name
        hung_up = name == "SIGHUP"
        self.ending = self.ending or name != NAMES[0]
        self.count = max(self.count, 1) if hung_up else self.count + 1

    def forget(self) -> None:
        """A stop was obeyed: go on."""
        self.count = 0

    def stop_order(self) -> StopOrder:
        """What the person wants."""
        return StopOrder(min(self.count, 2))
