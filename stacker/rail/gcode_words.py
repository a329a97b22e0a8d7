"""What a controller of RS274/NGC words is sent and what it answers: no standard says that, so the rail profile does."""

from __future__ import annotations

from typing import Protocol

MODES = ("G21", "G90", "G94")  # mm, absolute, feed a minute (NISTIR 6556, 3.5.7, 3.5.15, 3.5.19): they move nothing


class GcodeWords(Protocol):
    """What a rail profile says under ``link``; each key is explained where it is declared (`documents.gcode_link`)."""

    @property
    def acknowledge(self) -> tuple[str, ...]: ...
    @property
    def refuse(self) -> tuple[str, ...]: ...
    @property
    def greeting(self) -> tuple[str, ...]: ...
    @property
    def unlock(self) -> tuple[str, ...]: ...
    @property
    def at_start(self) -> tuple[str, ...]: ...
    @property
    def close_contact(self) -> str: ...
    @property
    def open_contact(self) -> str: ...
    @property
    def acknowledge_s(self) -> float: ...
    @property
    def wake_s(self) -> float: ...
    @property
    def piece_s(self) -> float: ...
    @property
    def arrival(self) -> str: ...
    @property
    def arrival_margin_s(self) -> float: ...
    @property
    def axis(self) -> str: ...
    @property
    def position_query(self) -> str | None: ...
    @property
    def position_reply(self) -> str | None: ...
    @property
    def query_acknowledged(self) -> bool: ...


def mode_of(words: GcodeWords) -> str | None:
    """A line that changes nothing, to see whether the controller still answers; None: the profile sends none."""
    return next((line for line in words.at_start if line in MODES), None)


def acknowledges(words: GcodeWords, text: str) -> bool:
    """Whether a line acknowledges: it begins with one of the words, and the word ends there."""
    return any(_begins(text, word) for word in words.acknowledge)


def refuses(words: GcodeWords, text: str) -> bool:
    """Whether a line refuses, asked or not."""
    return any(text.startswith(word) for word in words.refuse)


def greets(words: GcodeWords, text: str) -> bool:
    """Whether a line holds the greeting: what a reset cut short may stand before it."""
    return any(word in text for word in words.greeting)


def _begins(text: str, word: str) -> bool:
    return text.startswith(word) and not text[len(word) : len(word) + 1].isalnum()
