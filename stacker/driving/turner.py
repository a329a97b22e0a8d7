"""Whoever turns the dial of a hand rail: what they are shown, and what they answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum


class Answer(Enum):
    """What a person says of a frame."""

    TAKEN = "taken"
    UNDO = "undo"
    STOP = "stop"


@dataclass(frozen=True, kw_only=True, slots=True)
class Turn:
    """What a person is to do for one frame.

    Parameters
    ----------
    frame, done, left : int
        Its number, 0 for the closing frame; how many this run has taken, and how many it leaves with this one.
    to : int
        Where the dial must come to [divisions from the front].
    by : int or None
        How far that is from the frame before, in the usual direction; None: it is come to from elsewhere.
    beyond : int
        Where one must have been to come to it from the usual side; `to` itself where there is no backlash.
    """

    frame: int
    done: int
    left: int
    to: int
    by: int | None
    beyond: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Turner:
    """Whoever turns the dial.

    Parameters
    ----------
    ask : callable
        Shows what is to be done and waits for an answer.
    confirm : callable
        Asks a yes-or-no question; not called when `HandOptions.yes`.
    notify : callable
        Shows a text that needs no answer.
    now_s : callable
        Seconds of a clock that only rises.
    """

    ask: Callable[[Turn], Answer]
    confirm: Callable[[str], bool]
    notify: Callable[[str], None]
    now_s: Callable[[], float]
