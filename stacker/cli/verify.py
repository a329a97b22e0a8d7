"""``stacker verify``: whether all frames are there."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.numbers import Whole
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal, StackerError
from stacker.figures import as_typed, spans, typed_mm

if TYPE_CHECKING:
    from stacker.verifying.verify import Verdict


@click.command(name="verify")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--journal",
    "journals",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    multiple=True,
    required=True,
    help="Of the run (NAME-DATE-TIME.run.jsonl); once more for each run that shot frames again.",
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
    """Hold the pictures in FOLDER against the journal of a run, frame by frame.

    Exit code 1 if any frame is missing or may be. Nothing is changed.

    \b
    Example:
      stacker verify CARD/ --journal beetle-20310504-220000.run.jsonl
    """
    from stacker.documents.journal import read_journal
    from stacker.presenting.verdict_text import verdict_text
    from stacker.verifying.folder import read_folder
    from stacker.verifying.verify import verify

    found, past = read_folder(folder), read_journal(journals[0])
    if not found.pictures:
        raise Refusal(f"{folder}: no pictures in there; is it the right folder?", code="no_pictures")
    verdict = verify(journals, found, pictures_each=bracket)
    plan = _plan_of(journals[0])
    other = _is_another(plan, past.digest)
    commands = [] if other else _commands(verdict, plan, journals[0], past.front_at_mm, spans(verdict.to_shoot))
    if as_json:
        write_json(result_document("verify", {**dataclasses.asdict(verdict), "commands": commands}))
    elif not quiet:
        click.echo("\n".join(verdict_text(dataclasses.asdict(verdict))))
    follow = f"stacker report {as_typed(plan)}"
    if other:
        follow = f"{plan} was made anew since this run, and its frames are others: find the plan of the run"
    elif not verdict.complete:
        follow = "verify the card itself, or a copy that keeps file times"
    for line in commands or [follow]:
        note(f"Next: {line}", quiet=quiet or as_json)
    if not verdict.complete:
        click.get_current_context().exit(1)


def _plan_of(journal: Path) -> Path:
    """The plan beside a journal, by the journal's name."""
    match = re.fullmatch(r"(.+)-\d{8}-\d{6}.*\.run\.jsonl", journal.name)
    return journal.with_name(f"{match[1]}.plan.yaml") if match else Path("PLAN")


def _is_another(plan: Path, digest: str) -> bool:
    """Whether the plan beside the journal is not the one that was run; one that cannot be read may be."""
    from stacker.documents.plan_file import read_plan

    try:
        return plan.is_file() and read_plan(plan).digest != digest
    except StackerError:
        return True


def _commands(verdict: Verdict, plan: Path, journal: Path, front_at_mm: float, frames: str) -> list[str]:
    """What shoots the missing frames; nothing where nobody can say which they are."""
    commands = []
    if verdict.pending:
        commands.append(f"stacker drive {as_typed(plan)} --go --resume {as_typed(journal)}")
    if frames and verdict.times_fit:
        front_mm = typed_mm(front_at_mm)  # the rail stands at the other end now
        commands.append(f"stacker drive {as_typed(plan)} --frames {frames} --go --front-at-mm {front_mm}")
    return commands
