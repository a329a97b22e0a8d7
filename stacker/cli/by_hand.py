"""``stacker drive`` on a hand rail: the sheet, or frame after frame with whoever turns the dial."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from stacker.cli.output import note, result_document, write_json
from stacker.figures import as_typed, clock, spans

if TYPE_CHECKING:
    from collections.abc import Callable

    from stacker.documents.plan import Plan
    from stacker.driving.by_hand import HandOptions
    from stacker.driving.hand_job import HandJob
    from stacker.driving.turner import Answer, Turn, Turner

FOR_A_MOTOR = ("after", "between", "warm_up_s", "front_at_mm", "rail_at_mm", "url", "call", "watch", "whole")
_KEYS = "  [Enter] taken    u  undo the last tick    q  stop: "

now_s: Callable[[], float] = time.monotonic


def refuse_for_a_motor(context: click.Context) -> None:
    """Options that need a motor, or somebody who is not at the rail."""
    given = [name for name in FOR_A_MOTOR if context.get_parameter_source(name) is ParameterSource.COMMANDLINE]
    if given:
        names = ", ".join("--all" if name == "whole" else f"--{name.replace('_', '-')}" for name in given)
        raise click.UsageError(f"{names} would do nothing on a hand rail: you turn its dial.")


def guide(plan: Plan, path: Path, options: HandOptions, *, go: bool, as_json: bool, quiet: bool) -> None:
    """Show the sheet of a plan, or take its frames with a person."""
    from stacker.documents.rail_profile import HandRail
    from stacker.driving.by_hand import drive_by_hand
    from stacker.driving.hand_job import hand_job_of
    from stacker.presenting.export_dial import dial_text

    if not go:
        if not (quiet or as_json):
            click.echo(dial_text(plan), nl=False)
        note(f"Nothing is asked without --go. Next: {_command(path, options)}", quiet=quiet)
        return
    rail = plan.request.rail
    assert isinstance(rail, HandRail)  # the caller looked
    job = hand_job_of(plan, rail, path)
    if not quiet:
        note(f"{plan.name}: {len(plan.frames)} frames. Turn, let it settle, take the frame, then tick it.")
        note("What you tick is believed: nothing here sees the dial or the camera.\nLimits are yours to watch.")
    outcome = drive_by_hand(job, options, _turner(job))
    past = outcome.past
    if as_json:
        result = {"journal": str(outcome.journal), "ticked": outcome.ticked, "doubled": past.doubled}
        write_json(result_document("drive", result | {"duration_s": outcome.duration_s}))
    elif not quiet:
        click.echo(f"{plan.name}: {outcome.ticked} frames ticked in {clock(outcome.duration_s)}.")
        if past.doubled:
            click.echo(f"Taken again, so perhaps twice on the card: frames {spans(past.doubled)}.")
    note(f"Next: stacker verify FOLDER --journal {as_typed(outcome.journal)}", quiet=quiet or as_json)


def _command(path: Path, options: HandOptions) -> str:
    """What begins in earnest, with all that was asked for."""
    words = ["stacker drive", as_typed(path)]
    if options.resume is not None:
        words += ["--resume", as_typed(options.resume)]
    elif options.kind == "ends":
        words.append("--ends")
    elif options.kind == "frames":
        words += ["--frames", spans(options.frames)]
    words += ["--refocused"] if options.refocused else []
    words += ["--closing-frame"] if options.closing_frame else []
    words += [] if options.journal is None else ["--journal", as_typed(options.journal)]
    return " ".join([*words, "--go"])


def _turner(job: HandJob) -> Turner:
    from stacker.driving.turner import Answer, Turner
    from stacker.presenting.turn_text import turn_text

    answers = {"": Answer.TAKEN, "u": Answer.UNDO, "q": Answer.STOP}

    def ask(turn: Turn) -> Answer:
        click.echo(turn_text(job, turn), err=True)
        try:
            while (said := _line()) not in answers:
                click.echo(f"  found '{said}': Enter alone, u or q", err=True)
        except (EOFError, KeyboardInterrupt, click.Abort):
            click.echo(err=True)
            return Answer.STOP
        return answers[said]

    return Turner(
        ask=ask,
        confirm=lambda text: click.confirm(text, err=True),
        notify=note,
        now_s=now_s,
    )


def _line() -> str:
    text: str = click.prompt(_KEYS, default="", show_default=False, prompt_suffix="", err=True)
    return text.strip().lower()
