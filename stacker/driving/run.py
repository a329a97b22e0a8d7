"""One run: all that belongs to it, in one value that travels whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stacker.documents.journal import Past
from stacker.driving.job import Job
from stacker.driving.person import Person
from stacker.driving.run_options import RunOptions
from stacker.driving.watcher import Nobody, Watcher
from stacker.rail.controller import Identity
from stacker.rail.rail import Rail
from stacker.rail.shutter import Shutter


@dataclass(frozen=True, kw_only=True, slots=True)
class Start:
    """Where a run begins, and what it is to take.

    Parameters
    ----------
    front_at : int
        Rail position of the plan's position 0 [microsteps, the rail's coordinates].
    frames : tuple of int
        To be taken, in this order; 0: frame 1 once more at the end.
    where_from : str
        Where position 0 was taken from, for the person.
    refocused : bool
        Whether the front was focused again since an earlier run.
    kind : str
        ``all``, ``ends``, ``frames``, ``between`` or ``after``; of a resumed run what that was.
    last_shot : int
        Highest shot number that this controller may have used for it; 0: none.
    """

    front_at: int
    frames: tuple[int, ...]
    where_from: str = ""
    refocused: bool = False
    kind: str = "all"
    last_shot: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """A run whose rail is connected, whose shutter is open for orders, and whose front and frames are known.

    `driving.drive` makes one, asks by it, opens its journal, and hands both to `driving.runner`; a dry run makes one of
    a controller that only writes down. Nothing of it changes while the run goes on: what changes is in the rail and in
    the journal.

    Whatever is to go with a run takes the `Run` and not its parts. A new option is a field of `RunOptions` and is read
    as ``run.options.x`` where it acts; what accompanies each frame is told by ``run.person.report``; another way to
    confirm an exposure wraps ``run.shutter`` (`driving.shutters`); another sequence of frames or another first place is
    another `Start` (`driving.way`), with a `kind` of its own where the journal shall tell it apart.

    Parameters
    ----------
    job : Job
        The plan, in the rail's words.
    options : RunOptions
        What was asked for.
    person : Person
        Who is asked, shown and reported to.
    rail : Rail
        Connected and taken over.
    identity : Identity
        What its controller said before it was taken over.
    shutter : Shutter
        Its port open, where it has one of its own.
    start : Start
        Front and frames.
    watcher : Watcher
        Looks at the pictures as they come; the run never waits for it.
    set_name : str
        Of a panel's run: by which the journals of one set of panels know one another.
    axes : dict
        Of a panel's run: which controllers moved it there, and from where they count.
    """

    job: Job
    options: RunOptions
    person: Person
    rail: Rail
    identity: Identity
    shutter: Shutter
    start: Start
    watcher: Watcher = field(default_factory=Nobody)
    set_name: str = ""
    axes: dict[str, dict[str, Any]] = field(default_factory=dict)

    def position(self, frame: int) -> int:
        """Where the rail stands for a frame [microsteps, the rail's coordinates]."""
        return self.start.front_at + self.job.positions[self.job.row(frame)]


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
