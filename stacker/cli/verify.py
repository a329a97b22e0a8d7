"""``stacker verify``: whether all frames are there."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.numbers import Whole
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal, StackerError
from stacker.figures import as_typed, spans, typed_mm

if TYPE_CHECKING:
    from stacker.documents.journal import Past
    from stacker.verifying.verdict import Verdict


@click.command(name="verify")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--journal",
    "journals",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    multiple=True,
    required=True,
    help="Journal of the run (NAME-DATE-TIMEZ.run.jsonl); repeat for each run that shot frames again.",
)
@click.option(
    "--bracket",
    type=Whole(1, 15),
    default=1,
    show_default=True,
    help="Pictures that the camera takes of every frame.",
)
@output_options
def command(folder: Path, *, journals: tuple[Path, ...], bracket: int, as_json: bool, quiet: bool) -> None:
    """Compare the pictures in FOLDER with the journal of a run, frame by frame.

    Exit code 1 if any frame is missing or in doubt. Nothing is changed. A plan that was run twice is two stacks: where
    both are in the folder, name the journals of both.

    \b
    Example:
      stacker verify CARD/ --journal beetle-20310504-220000Z.run.jsonl
    """
    from stacker.presenting.verdict_text import verdict_text
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.verify import verify

    runs = {str(path): read_run(path) for path in journals}
    found = read_folder(folder, pictures_each=bracket)
    if not (found.pictures or found.undated or found.faults):
        raise Refusal(f"{folder}: no pictures in it; is it the right folder?", code="no_pictures")
    verdicts = verify(list(runs.values()), found, pictures_each=bracket)
    follows = [_follow(verdict, runs[verdict.main].past) for verdict in verdicts]
    complete = all(verdict.complete for verdict in verdicts)
    if as_json:
        stacks = [
            {**dataclasses.asdict(verdict), "commands": commands}
            for verdict, (commands, _) in zip(verdicts, follows, strict=True)
        ]
        of_the_folder = [stack.pop("found") for stack in stacks]  # the same in all
        write_json(result_document("verify", {"complete": complete, "folder": of_the_folder[0], "stacks": stacks}))
    elif not quiet:
        click.echo("\n".join(verdict_text(verdicts)))
    lines = [line for commands, _ in follows for line in commands] or [otherwise for _, otherwise in follows]
    for line in dict.fromkeys(lines):
        note(f"Next: {line}", quiet=quiet or as_json)
    if not complete:
        click.get_current_context().exit(1)


def _follow(verdict: Verdict, past: Past) -> tuple[list[str], str]:
    """The commands that shoot what is missing, and what else to do where there are none."""
    from stacker.documents.journal import plan_beside

    journal = Path(verdict.main)
    plan = plan_beside(journal)
    if _is_another(plan, past.digest):
        return [], f"{plan} has been made again since this run, and its frames differ: find the plan of the run"
    otherwise = f"stacker report {as_typed(plan)}"
    if not verdict.complete:
        otherwise = "verify the card itself, or a copy that keeps file times"
    return _commands(verdict, plan, journal, past), otherwise


def _is_another(plan: Path, digest: str) -> bool:
    """Whether the plan beside the journal is not the one that was run; one that cannot be read may be."""
    from stacker.documents.plan_file import read_plan

    try:
        return plan.is_file() and read_plan(plan).digest != digest
    except StackerError:
        return True


def _commands(verdict: Verdict, plan: Path, journal: Path, past: Past) -> list[str]:
    """What shoots the missing frames; nothing where nobody can say which they are."""
    from stacker.driving.follow_up import drive_command, resume_command

    commands = [resume_command(plan, journal, past)] if verdict.pending else []
    if verdict.to_shoot and verdict.times_fit:
        front_mm = typed_mm(past.front_at_mm)  # the rail stands at the other end now
        words = ("--frames", spans(verdict.to_shoot), "--go", "--front-at-mm", front_mm)
        commands.append(drive_command(plan, *words, url=past.url, warm_up_s=past.warm_up_s))
    return commands
