"""What the options of ``stacker drive`` ask for, and which of them contradict one another."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from stacker.errors import Refusal

if TYPE_CHECKING:
    from stacker.driving.job import Job
    from stacker.driving.run_options import RunOptions

# Options that exclude one another; without any of them: all frames.
KINDS = ("ends", "frames", "between", "resume", "after")
# Options that such a run would take and then drop, since the journal of another one says what they say.
IDLE = {"resume": ("closing_frame", "front_at_mm", "rail_at_mm", "journal"), "after": ("rail_at_mm",)}
IDLE_ELSE = ("refocused",)


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line says of a run."""

    plan: Path
    resume: str | None
    whole: bool
    go: bool
    as_json: bool
    quiet: bool
    yes: bool
    journal: Path | None
    after: Path | None
    refocused: bool
    ends: bool
    frames: str | None
    between: tuple[str, ...]
    panel: int | None
    centred: bool
    closing_frame: bool
    warm_up_s: float
    front_at_mm: float | None
    rail_at_mm: float | None
    url: str | None
    call: str | None
    watch: Path | None

    @property
    def kind(self) -> str:
        """Of a new run."""
        asked = {"ends": self.ends, "after": self.after, "between": self.between, "frames": self.frames is not None}
        return next((kind for kind, given in asked.items() if given), "all")

    def options(self, job: Job, *, resume: Path | None) -> RunOptions:
        """In the rail's words."""
        from stacker.documents.between import inserted
        from stacker.driving.run_options import RunOptions

        return RunOptions(
            frames=inserted(job.between) if self.between else frames_of(job.count, self.frames, ends=self.ends),
            closing_frame=self.closing_frame,
            warm_up_s=self.warm_up_s,
            front_at=None if self.front_at_mm is None else job.rail.microsteps(self.front_at_mm),
            rail_at=None if self.rail_at_mm is None else job.rail.microsteps(self.rail_at_mm),
            yes=self.yes,
            refocused=self.refocused,
            kind=self.kind,
            url=self.url,
            journal=self.journal,
            resume=resume,
            after=self.after,
            call=self.call,
            watch=self.watch,
            centred=self.centred,
        )


OF_A_RUN = tuple(field.name for field in fields(Asked))[6:]


def refuse_contradictions(context: click.Context) -> None:
    """Options that exclude one another, and those that this kind of run would take and then drop."""
    given = [name for name in context.params if context.get_parameter_source(name) is ParameterSource.COMMANDLINE]
    kinds = [name for name in given if name in KINDS]
    if len(kinds) > 1:
        raise click.UsageError("--ends, --frames, --between, --resume and --after exclude one another.")
    goes_on = kinds != [] and kinds[0] in IDLE
    idle = [name for name in (IDLE[kinds[0]] if goes_on else IDLE_ELSE) if name in given]
    if idle:
        names = ", ".join(f"--{name.replace('_', '-')}" for name in idle)
        what = "continues as its journal says" if goes_on else "does not continue another one"
        raise click.UsageError(f"{names} would do nothing: this run {what}.")


def between_of(job: Job, pairs: tuple[str, ...]) -> Job:
    """The job with frames between those that were asked for."""
    from stacker.driving.between import listed_pairs, with_frames_between

    try:
        return with_frames_between(job, listed_pairs(pairs, job.count))
    except Refusal as refusal:
        raise click.UsageError(str(refusal)) from refusal


def frames_of(count: int, frames: str | None, *, ends: bool) -> tuple[int, ...]:
    """The frames that were asked for by number; none: all."""
    from stacker.driving import selection

    if ends:
        return selection.ends(count)
    try:
        return () if frames is None else selection.listed(frames, count)
    except Refusal as refusal:
        raise click.UsageError(str(refusal)) from refusal
