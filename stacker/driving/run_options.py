"""What a run is asked for, whom it talks with, and what it tells at its end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stacker.documents.journal import Past
from stacker.driving.runner import Progress
from stacker.rail.rail import StopOrder


@dataclass(frozen=True, kw_only=True, slots=True)
class RunOptions:
    """What the command line asks for; positions in microsteps of the rail's own coordinates.

    Parameters
    ----------
    frames : tuple of int
        Frames to take; empty: all.
    closing_frame : bool
        Frame 1 once more at the end.
    warm_up_s : float
        Wait at the first frame [s].
    front_at, rail_at : int or None
        Where the front is; where the rail stands now.
    yes : bool
        Ask nothing.
    refocused : bool
        The front is in focus again after a lost position.
    kind : str
        ``all``, ``ends``, ``frames`` or ``after``, for the journal of a new run.
    url : str or None
        As typed for ``--url``.
    """

    frames: tuple[int, ...] = ()
    closing_frame: bool = False
    warm_up_s: float = 0.0
    front_at: int | None = None
    rail_at: int | None = None
    yes: bool = False
    refocused: bool = False
    kind: str = "all"
    url: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """How to talk with whoever started the run.

    Parameters
    ----------
    confirm : callable
        Asks a yes-or-no question; not called when `RunOptions.yes`.
    tell : callable
        Told what would have been asked, when `RunOptions.yes`.
    take : callable
        Asks for a frame taken by hand.
    report : callable
        Told after each frame.
    stop_order : callable
        Go on, stop, or stop at once.
    """

    confirm: Callable[[str], bool]
    tell: Callable[[str], None] = lambda _: None
    take: Callable[[str], bool] = lambda _: False
    report: Callable[[Progress], None] = lambda _: None
    stop_order: Callable[[], StopOrder] = lambda: StopOrder.GO_ON


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """How a whole run ended.

    Parameters
    ----------
    journal : Path
        Its journal.
    past : Past
        What that tells.
    frames : tuple of int
        Frames taken in this run; 0: the closing frame.
    duration_s : float
        From the first move until the last file is written [s].
    position : int
        Where the rail stands [microsteps].
    steps : str
        What is known about lost steps.
    """

    journal: Path
    past: Past
    frames: tuple[int, ...]
    duration_s: float
    position: int
    steps: str
