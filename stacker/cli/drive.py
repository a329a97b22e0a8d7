"""``stacker drive``: a plan on a rail; without ``--go`` nothing moves and no port is opened."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.numbers import FINITE, Finite
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal, StackerError
from stacker.figures import as_typed, spans, typed_mm

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stacker.documents.plan import Plan
    from stacker.driving.job import Job
    from stacker.driving.run_options import Outcome, RunOptions

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
@output_options
def command(
    plan: Path | None,
    *,
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
    as_json: bool,
    quiet: bool,
) -> None:
    """Run PLAN on its rail. Without --go: a dry run, nothing moves.

    Ctrl-C stops the rail gently, a second one at once; the motor stays energised. Neither is an emergency stop.

    \b
    Example:
      stacker drive beetle.plan.yaml
      stacker drive beetle.plan.yaml --go --front-at-mm 41.2
    """
    from stacker.documents.journal import read_journal
    from stacker.documents.outdated import refuse_wider_limits
    from stacker.documents.plan_file import read_plan
    from stacker.driving import selection
    from stacker.driving.job import job_of
    from stacker.driving.run_options import RunOptions

    if plan is None and resume:  # 'drive --resume PLAN': the plan was taken for the journal's path
        plan, resume = Path(resume), BESIDE_THE_PLAN
    if plan is None:
        raise click.UsageError("Missing argument 'PLAN'.")
    if sum((ends, frames is not None, resume is not None, after is not None)) > 1:
        raise click.UsageError("--ends, --frames, --resume and --after exclude one another.")
    goes_on = resume is not None or after is not None
    _refuse_idle(
        {
            "--closing-frame": closing_frame and resume is not None,
            "--front-at-mm": front_at_mm is not None and resume is not None,
            "--rail-at-mm": rail_at_mm is not None and goes_on,
            "--journal": journal is not None and resume is not None,
            "--refocused": refocused and not goes_on,
        }
    )
    if whole and go:
        raise click.UsageError("--all is for a dry run; leave out --go or --all.")
    read = read_plan(plan)
    refuse_wider_limits(read, plan)
    past = None if resume is None else _journal_of(plan, read.digest, resume, quiet=quiet or as_json)
    if url is None and (earlier := past or after) is not None:
        url = read_journal(earlier).url  # a run goes on where it was begun
    job = job_of(read, plan, url=url, need_link=go)
    try:
        some = () if frames is None else selection.listed(frames, job.count)
    except Refusal as refusal:
        raise click.UsageError(str(refusal)) from refusal
    run_options = RunOptions(
        frames=selection.ends(job.count) if ends else some,
        closing_frame=closing_frame,
        warm_up_s=warm_up_s,
        front_at=None if front_at_mm is None else job.rail.microsteps(front_at_mm),
        rail_at=None if rail_at_mm is None else job.rail.microsteps(rail_at_mm),
        yes=yes,
        refocused=refocused,
        kind="ends" if ends else "after" if after else "all" if frames is None else "frames",
        url=url,
    )
    for text in () if past or after else _remarks(read, job, run_options):
        note(text, quiet=quiet)
    if not go:
        _rehearse(job, run_options, past, after, journal, whole=whole, as_json=as_json, quiet=quiet)
    else:
        from stacker.cli.drive_talk import show_outcome

        outcome = _go(job, run_options, past, after, journal, quiet=quiet or as_json)
        show_outcome(job, outcome, as_json=as_json, quiet=quiet)


def _refuse_idle(options: dict[str, bool]) -> None:
    """Options that this kind of run would take and then drop."""
    idle = [name for name, is_idle in options.items() if is_idle]
    if idle:
        what = "does not continue another one" if idle == ["--refocused"] else "continues as its journal says"
        raise click.UsageError(f"{', '.join(idle)} would do nothing: this run {what}.")


def _remarks(plan: Plan, job: Job, run_options: RunOptions) -> Iterator[str]:
    """What speaks against a new run of this plan: its request says otherwise by now, or a run was left unfinished."""
    from stacker.documents.outdated import remark_on_age
    from stacker.driving.beside import unfinished

    if text := remark_on_age(plan, job.path):
        yield text
    begun = list(unfinished(job.path, job.digest))
    if begun and run_options.kind == "all":
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


def _rehearse(
    job: Job,
    run_options: RunOptions,
    past: Path | None,
    after: Path | None,
    journal: Path | None,
    *,
    whole: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    from stacker.driving import dry_run
    from stacker.driving.way import looked_at

    front_at, frames = looked_at(job, run_options, past, after)
    rehearsed = dry_run.rehearse(job, front_at=front_at, frames=frames)
    if as_json:
        result = {
            "dry_run": True,
            "front_at_mm": None if front_at is None else job.mm(front_at),
            "duration_s": job.duration_s,
            "set_up": rehearsed.set_up,
            "frames": [
                {"frame": frame, "opens_s": round(opens_s, 3), "requests": requests}
                for (frame, requests), opens_s in zip(rehearsed.frames, rehearsed.opens_s, strict=True)
            ],
        }
        write_json(result_document("drive", result))
    elif not quiet:
        click.echo(dry_run.text(job, rehearsed, whole=whole))
    note(f"Next: {_in_earnest(job, run_options, past, after, journal)}", quiet=quiet or as_json)


def _in_earnest(job: Job, run_options: RunOptions, past: Path | None, after: Path | None, journal: Path | None) -> str:
    """The command that does what was rehearsed: all that was asked for once more, and --go."""
    from stacker.driving.follow_up import drive_command

    place = []
    for name, at in (("--front-at-mm", run_options.front_at), ("--rail-at-mm", run_options.rail_at)):
        place += [] if at is None else [name, typed_mm(job.mm(at))]
    place += ["--refocused"] if run_options.refocused else []
    more = [*place, *(["--closing-frame"] if run_options.closing_frame else [])]
    more += [] if journal is None else ["--journal", as_typed(journal)]
    which = {
        "all": ["--resume", as_typed(past)] if past else [],
        "ends": ["--ends"],
        "frames": ["--frames", spans(run_options.frames)],
        "after": ["--after", as_typed(after)],
    }[run_options.kind]
    run = drive_command(job.path, *which, "--go", *more, url=run_options.url, warm_up_s=run_options.warm_up_s)
    if run_options.kind == "all" and not past:
        look = drive_command(job.path, "--ends", "--go", *place, url=run_options.url, warm_up_s=run_options.warm_up_s)
        return f"{look}\nthen: {run}"
    return run


def _go(
    job: Job, run_options: RunOptions, past: Path | None, after: Path | None, journal: Path | None, *, quiet: bool
) -> Outcome:
    from datetime import datetime, timezone

    from stacker.cli.drive_talk import person_for
    from stacker.driving.beside import journal_path
    from stacker.driving.drive import drive
    from stacker.driving.interrupts import Interrupts

    with Interrupts() as interrupts:
        person = person_for(interrupts, quiet=quiet)
        path = past or journal or journal_path(job.path, datetime.now(timezone.utc))
        try:
            return drive(job, run_options, person, journal_path=path, resume=past is not None, after=after)
        except StackerError:
            if sys.stderr.isatty() and not quiet:
                click.echo(err=True)  # leave the line of the progress
            raise
