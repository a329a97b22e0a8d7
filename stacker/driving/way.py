"""How a run comes to its front and its frames: as new, or from what an earlier one left."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stacker.documents.journal import Past, read_journal
from stacker.documents.journal_lines import CLOSING
from stacker.driving import selection
from stacker.driving.bench import place_front
from stacker.driving.beside import run_before
from stacker.driving.going_on import Earlier, position_holds
from stacker.driving.here import how_here
from stacker.driving.job import Job
from stacker.driving.run_options import Person, RunOptions
from stacker.rail.controller import Controller, Identity
from stacker.rail.rail import Rail


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """How a run comes to its front and its frames: as new, or from what an earlier one left.

    Parameters
    ----------
    job, run_options : Job, RunOptions
        What is asked for.
    earlier : Earlier or None
        The run to go on from.
    front_at : int or None
        Where position 0 is taken [microsteps]; None: to be found at the rail.
    frames : tuple of int
        To be taken.
    """

    job: Job
    run_options: RunOptions
    earlier: Earlier | None
    front_at: int | None
    frames: tuple[int, ...]

    def meet(self, controller: Controller, identity: Identity) -> None:
        """Before the rail is taken over."""
        if self.earlier is not None:
            moved_port = self.run_options.refocused and self.run_options.url is not None
            self.earlier.meet(self.job, controller, identity, moved_port=moved_port)

    def place(self, person: Person, rail: Rail, identity: Identity) -> tuple[int, tuple[int, ...], str, bool]:
        """Position 0, frames, where position 0 was taken from, and whether the front was focused again."""
        job, run_options = self.job, self.run_options
        if self.earlier is None or self.front_at is None:
            front_at, where_from = place_front(
                rail,
                job,
                front_at=run_options.front_at,
                rail_at=run_options.rail_at,
                yes=run_options.yes,
                how_here=lambda position, counted: how_here(job, identity, position, counted),
            )
            return front_at, self.frames, where_from, False
        holds = position_holds(
            self.earlier,
            rail,
            identity,
            front_at=self.front_at,
            refocused=run_options.refocused,
            confirm=None if run_options.yes else person.confirm,
        )
        past = self.earlier.past
        frames = self.frames if holds else selection.after_refocusing(job, self.frames, again=past.refocused)
        where_from = "as the journal says" if self.front_at == past.front_at else "as the new plan has it"
        return self.front_at, frames, where_from, past.refocused or not holds


def way_of(job: Job, run_options: RunOptions, earlier: Earlier | None, after: Path | None) -> Way:
    """What is to be taken, before the port is opened.

    Raises
    ------
    Refusal
        When the earlier run was of something else, or left nothing.
    """
    if earlier is None:
        frames = run_options.frames or tuple(range(1, job.count + 1))
        frames += (CLOSING,) if run_options.closing_frame else ()
        return Way(job=job, run_options=run_options, earlier=None, front_at=None, frames=frames)
    front_at, frames = _left(job, run_options, earlier.past, after)
    return Way(job=job, run_options=run_options, earlier=earlier, front_at=front_at, frames=frames)


def _left(job: Job, run_options: RunOptions, past: Past, after: Path | None) -> tuple[int, tuple[int, ...]]:
    """Front and frames of what an earlier run left open, or of what a new plan has beyond it."""
    if after is None:
        return past.front_at, selection.pending_frames(job, past)
    front_at = selection.front_after(job, past, run_options.front_at)
    frames = selection.beyond(job, past, front_at, [read_journal(path) for path in run_before(past, after)])
    return front_at, frames + ((CLOSING,) if run_options.closing_frame else ())


def looked_at(
    job: Job, run_options: RunOptions, resume: Path | None, after: Path | None
) -> tuple[int | None, tuple[int, ...]]:
    """The front and the frames of a dry run, as far as they can be told without the rail.

    Raises
    ------
    InputError, Refusal
        As the run would.
    """
    if (source := resume or after) is None:
        way = way_of(job, run_options, None, None)
        return (job.front_at if run_options.front_at is None else run_options.front_at), way.frames
    past = read_journal(source)
    front_at, frames = _left(job, run_options, past, after)
    if past.lost or run_options.refocused:
        frames = selection.after_refocusing(job, frames, again=past.refocused)
    return front_at, frames
