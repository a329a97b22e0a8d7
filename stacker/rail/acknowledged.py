"""One line out, one acknowledgement back, for a controller whose answers carry no number and no check code.

After an acknowledgement that failed to come, or came unasked, no later one can be told apart: the count is lost, and
nothing is sent any more but what leaves the camera's contact open.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable
from dataclasses import dataclass

from stacker.errors import LinkError, RunStopped
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.link import Link

LONGEST_ANSWER = 512  # bytes: some controllers answer a query with a long line


@dataclass(frozen=True, kw_only=True, slots=True)
class GcodeWords:
    """What a controller answers, as the rail profile says.

    Parameters
    ----------
    acknowledge : tuple of str
        Whole lines that acknowledge.
    refuse : tuple of str
        Beginnings of lines that refuse.
    acknowledge_s, wake_s, arrival_margin_s : float
        How long an acknowledgement is awaited; silence after opening; margin after the predicted end of a move [s].
    axis : str
        The rail's axis.
    position_query, position_reply : str or None
        A line that asks for the position; what the answer holds, with ``{mm}`` for the number.
    query_acknowledged : bool
        Whether a query is acknowledged beside its answer.
    """

    acknowledge: tuple[str, ...]
    refuse: tuple[str, ...] = ()
    acknowledge_s: float = 3.0
    wake_s: float = 3.0
    arrival_margin_s: float = 0.5
    axis: str = "X"
    position_query: str | None = None
    position_reply: str | None = None
    query_acknowledged: bool = True


class NotAcknowledged(RunStopped):
    """Nobody can say whether the controller took a line, nor which line a later acknowledgement belongs to."""


class AcknowledgedLines:
    """Lines to a controller that acknowledges each.

    Parameters
    ----------
    link : Link
        Open, for lines up to `LONGEST_ANSWER`.
    words : GcodeWords
        Its answers.

    Attributes
    ----------
    trusted : bool
        Whether acknowledgements still belong to what was sent last, and nothing was forgotten by a reset.
    attend : callable
        Called while waiting.
    """

    def __init__(self, link: Link, words: GcodeWords) -> None:
        self._link, self._words = link, words
        self._greeting: set[str] = set()
        self.trusted = True
        self.attend: Callable[[], None] = lambda: None

    def greeted(self) -> None:
        """Be silent while a board that starts anew greets; what it says will mean a reset when it comes again."""
        quiet_s = self._link.clock.now() + self._words.wake_s
        while self._link.clock.now() < quiet_s:
            text = _text(self._link.read_line(quiet_s) or b"")
            if text and text not in self._words.acknowledge:
                self._greeting.add(text)

    def say(self, line: str) -> None:
        """Send one line and wait until it is acknowledged.

        Raises
        ------
        NotAcknowledged
            When it is not, in time, or an acknowledgement comes too many.
        ControllerRefused
            When the controller says that it does not take it.
        ControllerReset
            When it greets.
        """
        self._exchange(line, answer=None, acknowledged=True)

    def ask(self, line: str, answer: re.Pattern[str], *, acknowledged: bool) -> str:
        """Send one line; wait for the answer, and for an acknowledgement before or behind it if one is due.

        Raises
        ------
        NotAcknowledged, ControllerRefused, ControllerReset
            As `say`.
        """
        return self._exchange(line, answer=answer, acknowledged=acknowledged)

    def _exchange(self, line: str, *, answer: re.Pattern[str] | None, acknowledged: bool) -> str:
        if not self.trusted:
            raise self._lost("an earlier acknowledgement is missing or one too many")
        self.listen()
        self._link.send(f"{line}\n".encode())
        deadline_s = self._link.clock.now() + self._words.acknowledge_s
        told = None
        while acknowledged or (answer and told is None):
            heard = self._hear(deadline_s)
            self.attend()
            if answer and heard and (found := answer.search(heard)):
                told = found.group(1)
            elif heard in self._words.acknowledge:
                if not acknowledged:
                    raise self._lost("an acknowledgement came that nobody waits for")
                acknowledged = False
            elif heard and any(heard.startswith(word) for word in self._words.refuse):
                raise ControllerRefused("line", line, f"{self._link.url}: the controller refused '{line}': {heard}")
            elif self._link.clock.now() >= deadline_s:
                missing = "acknowledged" if acknowledged else "answered"
                raise self._lost(f"'{line}' was not {missing} in {self._words.acknowledge_s:g} s")
        return told or ""

    def _hear(self, deadline_s: float) -> str | None:
        """The next line; its greeting means that it was reset."""
        heard = self._link.read_line(deadline_s)
        if heard is None:
            return None
        text = _text(heard)
        if text in self._greeting:
            self.trusted = False
            raise ControllerReset(
                f"{self._link.url}: the controller was reset (it sent its greeting, '{text}'): the position is lost. "
                "Look at its supply, then go on with --resume.",
                code="controller_reset",
            )
        return text

    def listen(self) -> None:
        """Hear what came unasked: chatter is nothing, an acknowledgement means that the count is lost.

        Raises
        ------
        NotAcknowledged, ControllerReset
            As `say`.
        """
        while self._link.pending and (heard := self._hear(self._link.clock.now())) is not None:
            if heard in self._words.acknowledge:
                raise self._lost("an acknowledgement came that nobody waits for")

    def say_blindly(self, line: str) -> None:
        """Send a line whether anybody hears it or not."""
        with contextlib.suppress(LinkError):  # the port is gone: the error under way says so
            self._link.send(f"{line}\n".encode())

    def _lost(self, why: str) -> NotAcknowledged:
        self.trusted = False
        return NotAcknowledged(
            f"{self._link.url}: {why}: which line a later one belongs to is not known any more. Look at cable and "
            "baud rate, and at acknowledge and acknowledge_s in the profile; then go on with --resume.",
            code="not_acknowledged",
        )


def _text(line: bytes) -> str:
    return line.decode("ascii", "replace").strip()
