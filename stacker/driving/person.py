"""Whoever started a run: what is asked, shown and reported, and how a stop is ordered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from stacker.rail.stops import StopOrder


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """One frame more.

    Parameters
    ----------
    name : str
        What the frame is called, as `Job.named` has it.
    done, total : int
        Frames of this run.
    elapsed_s, left_s : float
        Since the first move; until the last frame, by the plan and by how long it took so far.
    evidence : str
        What proves the exposure.
    """

    name: str
    done: int
    total: int
    elapsed_s: float
    left_s: float
    evidence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """How to talk with whoever started the run.

    Parameters
    ----------
    confirm : callable
        Asks a yes-or-no question; not called when `RunOptions.yes`.
    notify : callable
        Shows a text that needs no answer, and what would have been asked when `RunOptions.yes`.
    confirm_taken : callable
        Asks whether a frame was taken, by hand or as far as can be seen.
    confirm_moved : callable
        Asks whether what is moved by hand is where it was to be set; called also when `RunOptions.yes`.
    report : callable
        Called after each frame.
    stop_order : callable
        Go on, stop, or stop at once.
    """

    confirm: Callable[[str], bool]
    notify: Callable[[str], None] = lambda _: None
    confirm_taken: Callable[[str], bool] = lambda _: False
    confirm_moved: Callable[[str], bool] = lambda _: False
    report: Callable[[Progress], None] = lambda _: None
    stop_order: Callable[[], StopOrder] = lambda: StopOrder.GO_ON
