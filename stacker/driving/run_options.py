"""What a run is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


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
        ``all``, ``ends``, ``frames``, ``between`` or ``after``, for the journal of a new run.
    url : str or None
        As typed for ``--url``.
    journal : Path or None
        Where the journal of a new run goes; None: beside the plan, under the plan's name and the time.
    resume : Path or None
        The journal to go on with.
    after : Path or None
        Journal of an earlier plan's run: only what this plan has beyond it is taken.
    call : str or None
        Program that calls the person, with one sentence as its argument.
    watch : Path or None
        Folder to which the pictures come while the run goes on, to be looked at there.
    centred : bool
        Of panels: the middle of the subject is in the middle of the picture as the axes stand.
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
    journal: Path | None = None
    resume: Path | None = None
    after: Path | None = None
    call: str | None = None
    watch: Path | None = None
    centred: bool = False

    @property
    def earlier(self) -> Path | None:
        """The journal of the run to begin from, be it this plan's or a shallower one's; None: a new run."""
        return self.resume or self.after
