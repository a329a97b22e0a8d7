"""``stacker drive``: a plan on a rail; without ``--go`` nothing moves and no port is opened."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from stacker.cli.measure_run import Usual, measure_and_show, measuring_options, refuse_mixed
from stacker.cli.numbers import FINITE, Finite
from stacker.cli.output import note, output_options
from stacker.errors import Refusal
from stacker.figures import spans

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stacker.documents.plan import Plan
    from stacker.driving.job import Job
    from stacker.driving.run_options import RunOptions

KINDS = ("ends", "frames", "resume", "after")  # options that exclude one another; without any of them: all frames
# Options that such a run would take and then drop, since the journal of another one says what they say.
IDLE = {"resume": ("closing_frame", "front_at_mm", "rail_at_mm", "journal"), "after": ("rail_at_mm",)}
IDLE_ELSE = ("refocused",)
BESIDE_THE_PLAN = ""  # --resume without a path


@click.command(name="drive")
@click.argument("plan", type=click.Path(path_type=Path), required=False, metavar="PLAN")
@click.option("--go", is_flag=True, help="Move the rail and take the frames.")
@click.option("--yes", is_flag=True, help="Do not ask before the first move.")
@click.option("--all", "whole", is_flag=True, help="Dry run: show every frame.")
@click.option("--journal", type=click.Path(path_type=Path), help="Where the journal goes.")
@click.option(
    "--resume",
    is_flag=False,
    flag_value=BESIDE_THE_PLAN,
    metavar="[JOURNAL]",
    help="Take the frames that a run is missing; without a path, the newest unfinished run of this plan.",
)
@click.option(
    "--after",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="JOURNAL",
    help="Take the frames that PLAN has beyond the shallower plan of that run.",
)
@click.option(
    "--refocused", is_flag=True, help="With --resume or --after: the front is in focus again where the rail stands."
)
@click.option(
    "--ends", is_flag=True, help="Front, middle and back only, to check focus, light, framing and working distance."
)
@click.option("--frames", help="Only these frames: 41,42 or 7-12.")
@click.option("--closing-frame", is_flag=True, help="Frame 1 once more at the end, to reveal drift.")
@click.option("--warm-up-s", type=Finite(0, 3600), default=0.0, help="Wait before the first frame.")
@click.option("--front-at-mm", type=FINITE, help="Rail position with the front in focus.")
@click.option("--rail-at-mm", type=FINITE, help="Where the rail stands now, read off its scale.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@click.option(
    "--call",
    metavar="PROGRAM",
    help="Run PROGRAM with one sentence at the end, at a stop, and when you are needed.",
)
@click.option(
    "--watch",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Look at each picture as it comes to FOLDER; a dark frame is taken again.",
)
@measuring_options
@output_options
def command(
    plan: Path | None,
    *,
    measure: bool,
    go: bool,
    yes: bool,
    whole: bool,
    journal: Path | None,
    resume: str | None,
    after: Path | None,
    refocused: bool,
    ends: bool,
    frames: str | None,
    closing_frame: bool,
    warm_up_s: float,
    front_at_mm: float | None,
    rail_at_mm: float | None,
    url: str | None,
    call: str | None,
    watch: Path | None,
    as_json: bool,
    quiet: bool,
    **measuring: float | None,
) -> None:
    """Run PLAN on its rail. Without --go: a dry run, nothing moves.

    On a hand rail, --go asks for frame after frame: you turn the dial, take the picture, and press Enter.

    With --measure PLAN is a rail profile, and the run measures that rail.

    Ctrl-C stops the rail gently, a second one at once; the motor stays energised. Neither is an emergency stop.

    \b
    Example:
      stacker drive beetle.plan.yaml
      stacker drive beetle.plan.yaml --go --front-at-mm 41.2
      stacker drive bench.rail.yaml --measure --travel-mm 5
    """
    from stacker.cli.by_hand import guide, refuse_for_a_motor
    from stacker.cli.drive_talk import run_and_show, show_rehearsal
    from stacker.cli.watching import refuse_unwatchable
    from stacker.documents.journal import read_journal
    from stacker.documents.outdated import refuse_wider_limits
    from stacker.documents.plan_file import read_plan
    from stacker.documents.rail_profile import HandRail
    from stacker.driving.by_hand import HandOptions
    from stacker.driving.job import job_of
    from stacker.driving.run_options import RunOptions

    refuse_mixed(measure=measure)
    if measure:
        measure_and_show(plan, measuring, Usual(go, yes, journal, rail_at_mm, url, as_json, quiet))
        return
    if plan is None and resume:  # 'drive --resume PLAN': the plan was taken for the journal's path
        plan, resume = Path(resume), BESIDE_THE_PLAN
    if plan is None:
        raise click.UsageError("Missing argument 'PLAN'.")
    _refuse_contradictions(click.get_current_context())
    if whole and go:
        raise click.UsageError("--all is for a dry run; leave out --go or --all.")
    read = read_plan(plan)
    if isinstance(read.request.rail, HandRail):
        refuse_for_a_motor(click.get_current_context())
        unfinished = None if resume is None else _journal_of(plan, read.digest, resume, quiet=quiet or as_json)
        by_hand = HandOptions(
            frames=_frames_of(len(read.frames), frames, ends=ends),
            closing_frame=closing_frame,
            kind="ends" if ends else "all" if frames is None else "frames",
            journal=journal,
            resume=unfinished,
            refocused=refocused,
            yes=yes,
        )
        guide(read, plan, by_hand, go=go, as_json=as_json, quiet=quiet)
        return
    refuse_wider_limits(read, plan)
    unfinished = None if resume is None else _journal_of(plan, read.digest, resume, quiet=quiet or as_json)
    if url is None and (earlier := unfinished or after) is not None:
        url = read_journal(earlier).url  # a run goes on where it was begun
    job = job_of(read, plan, url=url, need_link=go)
    options = RunOptions(
        frames=_frames_of(job.count, frames, ends=ends),
        closing_frame=closing_frame,
        warm_up_s=warm_up_s,
        front_at=None if front_at_mm is None else job.rail.microsteps(front_at_mm),
        rail_at=None if rail_at_mm is None else job.rail.microsteps(rail_at_mm),
        yes=yes,
        refocused=refocused,
        kind="ends" if ends else "after" if after else "all" if frames is None else "frames",
        url=url,
        journal=journal,
        resume=unfinished,
        after=after,
        call=call,
        watch=watch,
    )
    if watch is not None:
        refuse_unwatchable(job, watch)
    for text in _remarks(read, job, options):
        note(text, quiet=quiet)
    if go:
        run_and_show(job, options, as_json=as_json, quiet=quiet)
    else:
        show_rehearsal(job, options, whole=whole, as_json=as_json, quiet=quiet)


def _refuse_contradictions(context: click.Context) -> None:
    """Options that exclude one another, and those that this kind of run would take and then drop."""
    given = [name for name in context.params if context.get_parameter_source(name) is ParameterSource.COMMANDLINE]
    kinds = [name for name in given if name in KINDS]
    if len(kinds) > 1:
        raise click.UsageError("--ends, --frames, --resume and --after exclude one another.")
    goes_on = kinds != [] and kinds[0] in IDLE
    idle = [name for name in (IDLE[kinds[0]] if goes_on else IDLE_ELSE) if name in given]
    if idle:
        names = ", ".join(f"--{name.replace('_', '-')}" for name in idle)
        what = "continues as its journal says" if goes_on else "does not continue another one"
        raise click.UsageError(f"{names} would do nothing: this run {what}.")


def _frames_of(count: int, frames: str | None, *, ends: bool) -> tuple[int, ...]:
    """The frames that were asked for by number; none: all."""
    from stacker.driving import selection

    if ends:
        return selection.ends(count)
    try:
        return () if frames is None else selection.listed(frames, count)
    except Refusal as refusal:
        raise click.UsageError(str(refusal)) from refusal


def _remarks(plan: Plan, job: Job, options: RunOptions) -> Iterator[str]:
    """What speaks against a new run of this plan: its request says otherwise by now, or a run was left unfinished."""
    from stacker.documents.outdated import remark_on_age
    from stacker.driving.beside import unfinished

    if options.earlier is not None:
        return
    if text := remark_on_age(plan, job.path):
        yield text
    begun = list(unfinished(job.path, job.digest))
    if begun and options.kind == "all":
        yield f"{begun[-1]} belongs to an unfinished run of this plan; --resume takes its missing frames."


def _journal_of(plan: Path, digest: str, resume: str, *, quiet: bool) -> Path:
    """The journal to go on with; one that was not named is named before anything moves."""
    from stacker.driving.beside import of_this_plan

    if resume != BESIDE_THE_PLAN:
        return Path(resume)
    found = of_this_plan(plan, digest)
    open_ones = [path for path, past in found.items() if past.pending]
    if not found:
        raise Refusal(f"no journal of this plan beside {plan}. Name it: --resume JOURNAL", code="no_journal")
    if not open_ones:
        raise Refusal(
            f"nothing is left to take: every run of this plan beside {plan} took all its frames.", code="complete"
        )
    *others, path = open_ones
    past = found[path]
    what = {"ends": " (its look at front, middle and back)", "frames": " (some frames)"}.get(past.kind, "")
    note(f"Continues {path}{what}: still to take {spans(past.pending)}.", quiet=quiet)
    for other in others:
        note(f"Also unfinished: {other}; to continue that one instead, name it after --resume.", quiet=quiet)
    return path
