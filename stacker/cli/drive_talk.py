"""How ``stacker drive`` talks with whoever started it: questions, progress, and the end."""

from __future__ import annotations

import contextlib
import sys
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.output import note, result_document, write_json
from stacker.errors import RunStopped, StackerError
from stacker.figures import as_typed, clock, one_line

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stacker.documents.plan import Plan
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.job import Job
    from stacker.driving.person import Person, Progress
    from stacker.driving.run import Outcome
    from stacker.driving.run_options import RunOptions


def person_for(interrupts: Interrupts, call: Callable[[str], None], *, quiet: bool) -> Person:
    """Whoever sits at this terminal, or is called to it."""
    from stacker.driving.person import Person

    terminal = sys.stderr.isatty()

    def ask(text: str) -> bool:
        with interrupts.suspended():
            return click.confirm(text, err=True)

    def confirm_taken(text: str) -> bool:
        call(text)
        try:
            return ask(f"{text}. Taken")
        except click.Abort:
            return False

    def confirm_moved(text: str) -> bool:
        call(text)
        try:
            return ask("\n".join([*wrap(f"{text[0].upper()}{text[1:]}.", 79), "There"]))
        except click.Abort:
            return False

    def report(progress: Progress) -> None:
        if quiet:
            return
        text = (
            f"{progress.name}: {progress.done} of {progress.total} ({progress.evidence}), "
            f"{clock(progress.elapsed_s)} gone, {clock(progress.left_s)} left"
        )
        with contextlib.suppress(OSError):  # the terminal may be gone; the run is not
            click.echo(
                f"\r{text:<70}" if terminal else text, nl=not terminal or progress.done == progress.total, err=True
            )

    def notify(text: str) -> None:
        note(text, quiet=quiet)

    return Person(
        confirm=ask,
        notify=notify,
        confirm_taken=confirm_taken,
        confirm_moved=confirm_moved,
        report=report,
        stop_order=interrupts.stop_order,
    )


def show_rehearsal(job: Job, options: RunOptions, *, whole: bool, as_json: bool, quiet: bool) -> None:
    """What a run would do, and the command that does it."""
    from stacker.driving import dry_run
    from stacker.driving.follow_up import rehearsed_commands
    from stacker.driving.way import looked_at

    front_at, frames = looked_at(job, options)
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
        if options.watch is not None:
            click.echo(f"Pictures would be looked at as they come to {one_line(str(options.watch))}.")
    commands = "\nthen: ".join(rehearsed_commands(job, options))
    note(f"Next: {commands}", quiet=quiet or as_json)


def run_and_show(plan: Plan, job: Job, options: RunOptions, *, as_json: bool, quiet: bool) -> None:
    """Run, with a person who can stop it, and say how it ended."""
    from stacker.cli.calling import caller_of, ring
    from stacker.cli.watching import watching
    from stacker.driving.drive import drive
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.last_word import taken

    call = caller_of(options.call)
    at_hand = job.shutter.via == "manual"  # whoever presses the release need not be called to it
    with watching(options.watch, plan, job) as watcher, Interrupts() as interrupts:
        who = person_for(interrupts, ring if at_hand else call, quiet=quiet or as_json)
        try:
            outcome = drive(job, options, who, watcher=watcher)
        except StackerError as error:
            if sys.stderr.isatty() and not (quiet or as_json):
                click.echo(err=True)  # leave the line of the progress
            if isinstance(error, RunStopped):
                call(f"{job.name}: {str(error).partition(chr(10))[0]}")
            raise
        finally:
            if watcher is not None and watcher.began:
                note("\n".join(wrap(watcher.last_words(), 79)), quiet=quiet or as_json)
    call(f"{job.name}: the run has ended; {taken(job, len(outcome.frames), clock(outcome.duration_s))}")
    show_outcome(job, outcome, as_json=as_json, quiet=quiet, watch=options.watch)


def show_outcome(job: Job, outcome: Outcome, *, as_json: bool, quiet: bool, watch: Path | None = None) -> None:
    """How the run ended, and what comes next."""
    from stacker.driving.last_word import motor, taken, whose_time

    past = outcome.past
    result: dict[str, Any] = {
        "dry_run": False,
        "journal": str(outcome.journal),
        "frames": outcome.frames,
        "doubled": past.doubled,
        "duration_s": outcome.duration_s,
        "front_at_mm": past.front_at_mm,
        "position_mm": job.mm(outcome.position),
        "steps": outcome.steps,
    }
    if as_json:
        write_json(result_document("drive", result))
    elif not quiet:
        told = [
            f"{job.name}: {taken(job, len(outcome.frames), clock(outcome.duration_s))}{whose_time(job)}; "
            f"{outcome.steps}.",
            f"The rail stands at {job.mm(outcome.position):.3f} mm, {motor(job)}.",
        ]
        if past.doubled:
            twice = ", ".join(map(job.number, past.doubled))
            told.append(f"Taken again, so perhaps twice on the card: frames {twice}.")
        click.echo("\n".join(line for one in told for line in wrap(one, 79)))
    note(f"Next: {_next(job, outcome, watch)}", quiet=quiet or as_json)


def _next(job: Job, outcome: Outcome, watch: Path | None) -> str:
    from stacker.documents.files import purpose_of, request_path
    from stacker.documents.panels import of_whole
    from stacker.driving.beside import of_one_stack, of_this_plan
    from stacker.driving.follow_up import whole_run_command

    if outcome.past.kind == "ends":
        return whole_run_command(job.path, outcome.past, watch=watch)
    purpose = purpose_of(job.path)
    if purpose == "survey":
        return f"stacker survey FOLDER --journal {as_typed(outcome.journal)}"
    if purpose == "target":
        request = as_typed(request_path(job.path) or "REQUEST")
        return f"stacker calibrate lens {request} FOLDER --journal {as_typed(outcome.journal)}"
    of_plan = of_whole(job.digest) if job.between else job.digest
    journals = of_one_stack(outcome.journal, outcome.past, of_this_plan(job.path, of_plan))
    folder, look = ("FOLDER", "") if watch is None else (as_typed(watch), " --look")
    return " ".join([f"stacker verify {folder}", *(f"--journal {as_typed(path)}" for path in journals)]) + look
