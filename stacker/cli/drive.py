"""``stacker drive``: a plan on a rail; without ``--go`` nothing moves and no port is opened."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.numbers import FINITE, Finite
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal, StackerError
from stacker.figures import as_typed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stacker.documents.plan import Plan
    from stacker.driving.drive import Outcome, Person, Wishes
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.job import Job
    from stacker.driving.runner import Progress

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
    help="Take what a run left open; without a path its newest journal beside the plan.",
)
@click.option("--refocused", is_flag=True, help="With --resume: the front is in focus again, here.")
@click.option("--ends", is_flag=True, help="Front, middle and back only: focus, light, framing, clearance.")
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
    from stacker.documents.outdated import refuse_wider_limits
    from stacker.documents.plan_file import read_plan
    from stacker.driving import selection
    from stacker.driving.drive import Wishes
    from stacker.driving.job import job_of

    if plan is None and resume:  # 'drive --resume PLAN': the plan was taken for the journal's path
        plan, resume = Path(resume), BESIDE_THE_PLAN
    if plan is None:
        raise click.UsageError("Missing argument 'PLAN'.")
    if sum((ends, frames is not None, resume is not None)) > 1:
        raise click.UsageError("--ends, --frames and --resume exclude one another.")
    of_a_new_run = {
        "--closing-frame": closing_frame,
        "--front-at-mm": front_at_mm is not None,
        "--rail-at-mm": rail_at_mm is not None,
        "--journal": journal is not None,
    }
    idle = [name for name, given in of_a_new_run.items() if given and resume is not None]
    idle += ["--refocused"] if refocused and resume is None else []
    if idle:
        what = "goes on as its journal says" if resume is not None else "is not one that goes on"
        raise click.UsageError(f"{', '.join(idle)} would do nothing: this run {what}.")
    if whole and go:
        raise click.UsageError("--all is for a dry run; leave out --go or --all.")
    read = read_plan(plan)
    refuse_wider_limits(read, plan)
    job = job_of(read, plan, url=url, need_link=go)
    try:
        some = () if frames is None else selection.listed(frames, job.count)
    except Refusal as refusal:
        raise click.UsageError(str(refusal)) from refusal
    wishes = Wishes(
        frames=selection.ends(job.count) if ends else some,
        closing_frame=closing_frame,
        warm_up_s=warm_up_s,
        front_at=None if front_at_mm is None else job.rail.microsteps(front_at_mm),
        rail_at=None if rail_at_mm is None else job.rail.microsteps(rail_at_mm),
        yes=yes,
        refocused=refocused,
        kind="ends" if ends else "all" if frames is None else "frames",
    )
    past = None if resume is None else _journal_of(plan, resume)
    for text in () if past else _remarks(read, job, wishes):
        note(text, quiet=quiet)
    if not go:
        _rehearse(job, wishes, past, whole=whole, as_json=as_json, quiet=quiet)
    else:
        outcome = _go(job, wishes, past, journal, quiet=quiet or as_json)
        _tell(job, outcome, ends=ends, as_json=as_json, quiet=quiet)


def _remarks(plan: Plan, job: Job, wishes: Wishes) -> Iterator[str]:
    """What speaks against a new run of this plan: its request says otherwise by now, or a run was left unfinished."""
    from stacker.documents.outdated import remark_on_age
    from stacker.driving.journal import of_this_plan

    if text := remark_on_age(plan, job.path):
        yield text
    begun = [path for path, past in of_this_plan(job.path, job.digest).items() if past.pending]
    if begun and wishes.kind == "all":
        yield f"{begun[-1]} is of an unfinished run of this plan; --resume takes what it left open."


def _journal_of(plan: Path, resume: str) -> Path:
    from stacker.driving.journal import newest

    if resume != BESIDE_THE_PLAN:
        return Path(resume)
    found = newest(plan)
    if found is None:
        raise Refusal(f"no journal beside {plan}. Name it: --resume JOURNAL", code="no_journal")
    return found


def _rehearse(job: Job, wishes: Wishes, past: Path | None, *, whole: bool, as_json: bool, quiet: bool) -> None:
    from stacker.documents.journal import read_journal
    from stacker.driving import dry_run, selection
    from stacker.presenting.verdict_text import spans

    front_at, frames = wishes.front_at if wishes.front_at is not None else job.front_at, wishes.frames
    if past is not None:
        told = read_journal(past)
        front_at, frames = told.front_at, selection.left_open(job, told)
        if told.lost:
            frames = selection.after_refocusing(job, told)
    frames = frames or tuple(range(1, job.count + 1))
    frames += (0,) if wishes.closing_frame and 0 not in frames else ()
    rehearsed = dry_run.rehearse(job, front_at=front_at, frames=frames)
    if as_json:
        result = {
            "dry_run": True,
            "front_at_mm": None if front_at is None else job.mm(front_at),
            "duration_s": job.duration_s,
            "set_up": rehearsed.set_up,
            "frames": [{"frame": frame, "requests": requests} for frame, requests in rehearsed.frames],
        }
        write_json(result_document("drive", result))
    elif not quiet:
        click.echo(dry_run.text(job, rehearsed, whole=whole))
    run = f"stacker drive {as_typed(job.path)}"
    follow = {
        "all": f"{run} --ends --go\nthen: {run} --go",
        "ends": f"{run} --ends --go",
        "frames": f"{run} --frames {spans(frames)} --go",
    }[wishes.kind]
    note(f"Next: {f'{run} --go --resume {as_typed(past)}' if past else follow}", quiet=quiet or as_json)


def _go(job: Job, wishes: Wishes, past: Path | None, journal: Path | None, *, quiet: bool) -> Outcome:
    from datetime import datetime

    from stacker.driving.drive import drive
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.journal import journal_path

    with Interrupts() as interrupts:
        person = _person(interrupts, quiet=quiet)
        stamp = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S")
        path = past or journal or journal_path(job.path, stamp)
        try:
            return drive(job, wishes, person, journal_path=path, resume=past is not None)
        except StackerError:
            if sys.stderr.isatty() and not quiet:
                click.echo(err=True)  # leave the line of the progress
            raise


def _person(interrupts: Interrupts, *, quiet: bool) -> Person:
    from stacker.driving.drive import Person

    terminal = sys.stderr.isatty()

    def ask(text: str) -> bool:
        with interrupts.suspended():
            return click.confirm(text, err=True)

    def take(text: str) -> bool:
        try:
            return ask(f"{text}. Taken")
        except click.Abort:
            return False

    def report(progress: Progress) -> None:
        if quiet:
            return
        name = f"frame {progress.frame}" if progress.frame else "closing frame"
        text = (
            f"{name}: {progress.done} of {progress.total} ({progress.evidence}), "
            f"{_minutes(progress.elapsed_s)} gone, {_minutes(progress.left_s)} left"
        )
        with contextlib.suppress(OSError):  # the terminal may be gone; the run is not
            click.echo(
                f"\r{text:<70}" if terminal else text, nl=not terminal or progress.done == progress.total, err=True
            )

    def tell(text: str) -> None:
        note(text, quiet=quiet)

    return Person(confirm=ask, tell=tell, take=take, report=report, wish=interrupts.wish)


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _tell(job: Job, outcome: Outcome, *, ends: bool, as_json: bool, quiet: bool) -> None:
    from stacker.driving.job import typed_mm
    from stacker.driving.last_word import motor

    result: dict[str, Any] = {
        "dry_run": False,
        "journal": str(outcome.journal),
        "frames": outcome.frames,
        "doubled": outcome.doubled,
        "duration_s": outcome.duration_s,
        "front_at_mm": job.mm(outcome.front_at),
        "position_mm": job.mm(outcome.position),
        "steps": outcome.steps,
    }
    if as_json:
        write_json(result_document("drive", result))
    elif not quiet:
        click.echo(
            f"{job.name}: {len(outcome.frames)} frames taken in {_minutes(outcome.duration_s)}"
            f"{' on the simulated rail' if job.link.simulated else ''}; {outcome.steps}.\n"
            f"The rail stands at {job.mm(outcome.position):.3f} mm, {motor(job)}."
        )
        if outcome.doubled:
            click.echo(f"Taken again, so perhaps twice on the card: frames {', '.join(map(str, outcome.doubled))}.")
    follow = f"stacker verify FOLDER {_journals(job, outcome)}"
    if ends:
        follow = f"stacker drive {as_typed(job.path)} --go --front-at-mm {typed_mm(job.mm(outcome.front_at))}"
    note(f"Next: {follow}", quiet=quiet or as_json)


def _journals(job: Job, outcome: Outcome) -> str:
    """The journals that together tell of all frames: a run of some of them goes with the one that took most."""
    from stacker.driving.journal import of_this_plan

    own = f"--journal {as_typed(outcome.journal)}"
    others = {
        len(past.confirmed): path
        for path, past in of_this_plan(job.path, job.digest).items()
        if path.resolve() != outcome.journal.resolve() and len(past.confirmed) > len(outcome.frames)
    }
    return f"--journal {as_typed(others[max(others)])} {own}" if others else own
