"""One line out, one acknowledgement back, for a controller whose answers carry no number and no check code.

After an acknowledgement that failed to come, or came unasked, no later one can be told apart: the count is lost, and
nothing is sent any more but what leaves the camera's contact open. The same holds after a refusal, since some
controllers acknowledge what they have just refused, and after a reset.
"""

from __future__ import annotations

import contextlib
import re
from collections import deque
from collections.abc import Callable

from stacker.errors import LinkError, RunStopped
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.gcode_words import GcodeWords, acknowledges, greets, refuses
from stacker.rail.link import Lines

LONGEST_ANSWER = 512  # bytes: some controllers answer a query with a long line
QUIET_S = 0.1  # a controller that was silent that long is asked whether it still answers: few restart faster
_REMEMBERED = 3  # of its lines, for messages


class NotAcknowledged(RunStopped):
    """Nobody can say whether the controller took a line, nor which line a later acknowledgement belongs to."""


class AcknowledgedLines:
    """Lines to a controller that acknowledges each.

    Parameters
    ----------
    link : Lines
        Open, for lines up to `LONGEST_ANSWER`.
    words : GcodeWords
        Its answers.

    Attributes
    ----------
    trusted : bool
        Whether acknowledgements still belong to what was sent last, and nothing was forgotten by a reset.
    heard : deque of str
        Its last lines that were no acknowledgement.
    at_opening : list of str
        What it said before anything was sent.
    attend : callable
        Called while waiting.
    """

    def __init__(self, link: Lines, words: GcodeWords) -> None:
        self._link, self._words = link, words
        self.trusted, self._why = True, ""
        self.heard: deque[str] = deque(maxlen=_REMEMBERED)
        self.at_opening: list[str] = []
        self.attend: Callable[[], None] = lambda: None
        self._answered_s = link.clock.now()
        self._posted: tuple[str, float] | None = None  # whose acknowledgement is awaited, until when

    # -- before anything counts

    def hear_out(self, seconds: float) -> bool:
        """Be silent that long, whatever comes; returns whether a greeting came."""
        quiet_s, greeted = self._link.clock.now() + seconds, False
        while self._link.clock.now() < quiet_s:
            text = _text(self._link.read_line(quiet_s) or b"")
            if text and not acknowledges(self._words, text):
                self.heard.append(text)
            greeted = greeted or greets(self._words, text)
        return greeted

    def start_over(self) -> None:
        """Trust acknowledgements again: nothing that was sent before can be answered any more."""
        self.trusted, self._why, self._posted = True, "", None

    # -- one line, one acknowledgement

    def say(self, line: str) -> None:
        """Send one line and wait until it is acknowledged.

        Raises
        ------
        NotAcknowledged
            When it is not, in time, or an acknowledgement comes too many.
        ControllerRefused
            When the controller says that it does not take it, or anything else that `refuse` names.
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

    @property
    def quiet(self) -> bool:
        """Whether nothing was acknowledged for a while, so that it is worth asking whether anybody still answers."""
        return self._link.clock.now() - self._answered_s >= QUIET_S

    def post(self, line: str, within_s: float) -> None:
        """Send one line and go on; `taken` says when it is acknowledged, which must be within that time."""
        self._begin()
        self._link.send(f"{line}\n".encode())
        self._posted = (line, self._link.clock.now() + within_s)

    def taken(self) -> bool:
        """Whether the posted line is acknowledged by now; never waits.

        Raises
        ------
        NotAcknowledged, ControllerRefused, ControllerReset
            As `say`.
        """
        if self._posted is None:
            return True
        line, deadline_s = self._posted
        while self._link.pending and (heard := self._hear(self._link.clock.now(), line)) is not None:
            if acknowledges(self._words, heard):
                self._posted, self._answered_s = None, self._link.clock.now()
                return True
        if self._link.clock.now() >= deadline_s:
            raise self._lost(f"'{line}' was not acknowledged in time{self._last_words()}")
        return False

    def _begin(self) -> None:
        if not self.trusted:
            raise self._lost(self._why)
        if self._posted is not None:
            raise self._lost(f"'{self._posted[0]}' is not acknowledged yet")
        self.listen()

    def _exchange(self, line: str, *, answer: re.Pattern[str] | None, acknowledged: bool) -> str:
        self._begin()
        self._link.send(f"{line}\n".encode())
        deadline_s = self._link.clock.now() + self._words.acknowledge_s
        told, said = None, False
        while acknowledged or (answer and told is None):
            heard = self._hear(deadline_s, line) or ""
            said = said or heard != ""
            self.attend()
            found = answer.search(heard) if answer and heard else None
            told = found.group(1) if found else told
            if heard and acknowledges(self._words, heard):
                if not acknowledged and not found:
                    raise self._lost("an acknowledgement came that no line was waiting for")
                acknowledged = False
            elif not found and self._link.clock.now() >= deadline_s:
                missing = "acknowledged" if acknowledged else "answered"
                raise self._lost(
                    f"'{line}' was not {missing} in {self._words.acknowledge_s:g} s{self._last_words()}",
                    fits="position_reply" if answer and told is None and said else "",
                )
        self._answered_s = self._link.clock.now()
        self.heard.clear()
        return told or ""

    def _hear(self, deadline_s: float, line: str = "") -> str | None:
        """The next line; a greeting means that it was reset, and a refusal counts whether a line was sent or not."""
        heard = self._link.read_line(deadline_s)
        if heard is None:
            return None
        text = _text(heard)
        if text and not acknowledges(self._words, text):
            self.heard.append(text)
        if greets(self._words, text):
            self._distrust(f"the controller was reset (it said '{text}')")
            raise ControllerReset(
                f"{self._link.url}: the controller was reset (it sent its greeting, '{text}'): the position is lost. "
                "Look at its supply, then go on with --resume.",
                code="controller_reset",
            )
        if refuses(self._words, text):
            did = f"the controller refused '{line}'" if line else "the controller said unasked"
            self._distrust(f"{did}: {text}")
            raise ControllerRefused("line", line, f"{self._link.url}: {did}: {text}")
        return text

    def listen(self) -> None:
        """Hear what came unasked: chatter is nothing, an acknowledgement means that the count is lost.

        Raises
        ------
        NotAcknowledged, ControllerRefused, ControllerReset
            As `say`.
        """
        while self._link.pending and (heard := self._hear(self._link.clock.now())) is not None:
            if acknowledges(self._words, heard):
                raise self._lost("an acknowledgement came that no line was waiting for")

    def say_blindly(self, line: str) -> None:
        """Send a line whether anybody hears it or not."""
        with contextlib.suppress(LinkError):  # the port is gone: the error under way says so
            self._link.send(f"{line}\n".encode())

    # -- when the count is lost

    @property
    def quoted(self) -> str:
        """What it said last, but for acknowledgements."""
        return ", ".join(repr(text) for text in dict.fromkeys(self.heard))

    def _distrust(self, why: str) -> None:
        self.trusted, self._why = False, why

    def _last_words(self) -> str:
        return f" (its last words: {self.quoted})" if self.heard else ""

    def _lost(self, why: str, *, fits: str = "") -> NotAcknowledged:
        self._distrust(why)
        keys = f"{fits}, acknowledge" if fits else "acknowledge"
        return NotAcknowledged(
            f"{self._link.url}: {why}: which line a later answer belongs to is no longer known. Look at cable and "
            f"baud rate, and at {keys} and acknowledge_s in the profile; then go on with --resume.",
            code="not_acknowledged",
        )


def _text(line: bytes) -> str:
    return line.decode("ascii", "replace").strip()
