"""How a run comes to its front and its frames: as new, or from what an earlier one left."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.documents.journal import Past, read_journal
from stacker.documents.journal_values import CLOSING
from stacker.driving import selection
from stacker.driving.bench import place_front
from stacker.driving.beside import run_before
from stacker.driving.going_on import Earlier, position_holds
from stacker.driving.here import how_here
from stacker.driving.job import Job
from stacker.driving.person import Person
from stacker.driving.run import Start
from stacker.driving.run_options import RunOptions
from stacker.rail.controller import Controller, Identity
from stacker.rail.rail import Rail


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """How a run comes to its front and its frames: as new, or from what an earlier one left.

    Parameters
    ----------
    job, options : Job, RunOptions
        What is asked for.
    earlier : Earlier or None
        The run to go on from.
    front_at : int or None
        Where position 0 is taken [microsteps]; None: to be found at the rail.
    frames : tuple of int
        To be taken.
    """

    job: Job
    options: RunOptions
    earlier: Earlier | None
    front_at: int | None
    frames: tuple[int, ...]

    def meet(self, controller: Controller, identity: Identity) -> None:
        """Before the rail is taken over."""
        if self.earlier is not None:
            moved_port = self.options.refocused and self.options.url is not None
            self.earlier.meet(self.job, controller, identity, moved_port=moved_port)

    def start(self, person: Person, rail: Rail, identity: Identity) -> Start:
        """Front and frames, once the rail answers; what is in doubt the person is asked.

        Raises
        ------
        Refusal
            When nobody knows where the rail or the front is.
        """
        job, options = self.job, self.options
        if self.earlier is None or self.front_at is None:
            front_at, where_from = place_front(
                rail, job, options, how_here=lambda position, counted: how_here(job, identity, position, counted)
            )
            return Start(front_at=front_at, frames=self.frames, where_from=where_from, kind=options.kind)
        holds = position_holds(
            self.earlier,
            rail,
            identity,
            front_at=self.front_at,
            refocused=options.refocused,
            confirm=None if options.yes else person.confirm,
        )
        past = self.earlier.past
        return Start(
            front_at=self.front_at,
            frames=self.frames if holds else selection.after_refocusing(job, self.frames, again=past.refocused),
            where_from="as the journal says" if self.front_at == past.front_at else "as the new plan has it",
            refocused=past.refocused or not holds,
            kind=options.kind if options.resume is None else past.kind,
            last_shot=past.last_shot if identity.boot == past.boot else 0,
        )


def way_of(job: Job, options: RunOptions, earlier: Earlier | None) -> Way:
    """What is to be taken, before the port is opened.

    Raises
    ------
    Refusal
        When the earlier run was of something else, or left nothing.
    """
    if earlier is None:
        front_at, frames = None, _anew(job, options)
    elif _of_another_panel(job, earlier.past):
        front_at, frames = earlier.past.front_at, _anew(job, options)
    else:
        front_at, frames = _left(job, options, earlier.past)
    return Way(job=job, options=options, earlier=earlier, front_at=front_at, frames=frames)


def _of_another_panel(job: Job, past: Past) -> bool:
    """Whether a run goes on from that of another panel of its plan: same rail and front, other frames."""
    return job.panel is not None and past.panel is not None and job.panel.panel != past.panel


def _anew(job: Job, options: RunOptions) -> tuple[int, ...]:
    """The frames of a run that goes on from none."""
    return (options.frames or tuple(range(1, job.count + 1))) + _closing(options)


def _left(job: Job, options: RunOptions, past: Past) -> tuple[int, tuple[int, ...]]:
    """Front and frames of what an earlier run left open, or of what a new plan has beyond it."""
    if options.after is None:
        return past.front_at, selection.pending_frames(job, past)
    front_at = selection.front_after(job, past, options.front_at)
    before = [read_journal(path) for path in run_before(past, options.after)]
    return front_at, selection.beyond(job, past, front_at, before) + _closing(options)


def _closing(options: RunOptions) -> tuple[int, ...]:
    return (CLOSING,) if options.closing_frame else ()


def looked_at(job: Job, options: RunOptions) -> tuple[int | None, tuple[int, ...]]:
    """The front and the frames of a dry run, as far as they can be told without the rail.

    Raises
    ------
    InputError, Refusal
        As the run would.
    """
    if options.earlier is None:
        return (job.front_at if options.front_at is None else options.front_at), _anew(job, options)
    past = read_journal(options.earlier)
    front_at, frames = _left(job, options, past)
    if past.lost or options.refocused:
        frames = selection.after_refocusing(job, frames, again=past.refocused)
    return front_at, frames
