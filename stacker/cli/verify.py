"""``stacker verify``: whether all frames are there."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.brackets import bracket_option, pictures_a_frame
from stacker.cli.output import keep_other_files, note, output_options, result_document, write_json
from stacker.cli.panel_sets import panels_not_taken, with_their_sets
from stacker.errors import Refusal, StackerError
from stacker.figures import as_typed, one_line, spans, typed_mm

if TYPE_CHECKING:
    from stacker.cli.looking import Look
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
@bracket_option
@click.option(
    "--look", is_flag=True, help="Also look into the pictures; what is seen is kept beside the journal (NAME.looks)."
)
@click.option(
    "--page", type=click.Path(path_type=Path), help="With --look: write a page with pictures of what was found."
)
@output_options
def command(
    folder: Path,
    *,
    journals: tuple[Path, ...],
    bracket: int | None,
    look: bool,
    page: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare the pictures in FOLDER with the journal of a run, frame by frame.

    Exit code 1 if any frame is missing or in doubt, or --look finds something. No picture is changed. A plan that was
    run twice is two stacks: where both are in the folder, name the journals of both. One journal of a set of panels
    stands for all that lie beside it.

    \b
    Example:
      stacker verify CARD/ --journal beetle-20310504-220000Z.run.jsonl --look
    """
    from stacker.cli.looking import write_page
    from stacker.presenting.verdict_text import verdict_text
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.verify import tell

    if page is not None:
        _refuse_page(page, look=look)
    named, journals = journals, with_their_sets(journals, quiet=quiet or as_json)
    runs = {str(path): read_run(path) for path in journals}
    each = pictures_a_frame(bracket, runs.values())
    found = read_folder(folder, pictures_each=each)
    if not (found.pictures or found.undated or found.faults):
        raise Refusal(f"{folder}: no pictures in it; is it the right folder?", code="no_pictures")
    told = tell(list(runs.values()), found, pictures_each=each)
    verdicts, pasts = [one.verdict for one in told], [one.stack.main.past for one in told]
    looks = _looks(verdicts, pasts, folder, quiet=quiet) if look else []
    again = [one.looked.to_take_again for one in looks] or [()] * len(verdicts)
    sort = " ".join(["stacker sort", as_typed(folder), *(f"--journal {as_typed(path)}" for path in named)])
    follows = [_follow(*one, f"{sort} --into DIR") for one in zip(verdicts, pasts, again, strict=True)]
    said, not_taken = panels_not_taken(journals)
    said += [text for past in pasts for text in _counted_with(past)]
    complete = all(verdict.complete for verdict in verdicts) and not not_taken
    if as_json:
        _write_json(verdicts, looks, [commands for commands, _ in follows], panels=said, complete=complete)
    elif not quiet:
        faulty = [one.looked.found for one in looks] if look else None
        click.echo("\n".join([*said, *verdict_text(verdicts, faulty=faulty), *_looks_text(verdicts, looks)]))
    if page is not None:
        write_page(page, verdicts, looks, folder)
        note(f"Page written to {page}", quiet=quiet or as_json)
    lines = [*not_taken, *(line for commands, _ in follows for line in commands)] or [
        otherwise for _, otherwise in follows
    ]
    for line in dict.fromkeys(lines):
        note(f"Next: {line}", quiet=quiet or as_json)
    if not complete or any(one.looked.found for one in looks):
        click.get_current_context().exit(1)


def _counted_with(past: Past) -> list[str]:
    """How the frames of a stack are numbered that has some between those of its plan."""
    from stacker.documents.between import inserted
    from stacker.presenting.tables import wrapped

    new = zip(inserted(past.between), past.between, strict=True)
    told = "; ".join(f"{frame} lies between frames {before} and {before + 1} of the plan" for frame, before in new)
    return wrapped(f"Counted with the frames taken between: {told}.") if told else []


def _refuse_page(page: Path, *, look: bool) -> None:
    """Before anything is looked into: that takes a while."""
    from stacker.presenting.page import BEGINNING
    from stacker.presenting.svg import require_matplotlib

    if not look:
        raise click.UsageError("--page shows what --look finds: give both")
    keep_other_files(page, BEGINNING, "page of ours", option="--page")
    require_matplotlib()


def _looks(verdicts: Sequence[Verdict], pasts: Sequence[Past], folder: Path, *, quiet: bool) -> list[Look]:
    from stacker.cli.looking import look_into_stack

    return [look_into_stack(*one, folder, quiet=quiet) for one in zip(verdicts, pasts, strict=True)]


def _looks_text(verdicts: Sequence[Verdict], looks: Sequence[Look]) -> list[str]:
    lines: list[str] = []
    for verdict, look in zip(verdicts, looks, strict=False):
        if len(verdicts) > 1:
            lines.append(f"{one_line(verdict.title)}:")
        lines += look.text()
    return lines


def _write_json(
    verdicts: Sequence[Verdict],
    looks: Sequence[Look],
    commands: Sequence[list[str]],
    *,
    panels: list[str],
    complete: bool,
) -> None:
    stacks = [
        {**dataclasses.asdict(verdict), "commands": lines} for verdict, lines in zip(verdicts, commands, strict=True)
    ]
    of_the_folder = [stack.pop("found") for stack in stacks]  # the same in all
    for stack, look in zip(stacks, looks, strict=False):
        stack["look"] = look.as_json()
    result = {"complete": complete, "folder": of_the_folder[0], "stacks": stacks}
    write_json(result_document("verify", result | ({"panels": panels} if panels else {})))


def _follow(verdict: Verdict, past: Past, again: tuple[int, ...], sort: str) -> tuple[list[str], str]:
    """The commands that shoot what is missing or shows a fault, and what else to do where there are none."""
    from stacker.documents.journal import plan_beside
    from stacker.documents.measuring_run import KIND, NEXT

    journal = Path(verdict.main)
    if past.kind == KIND:
        return [], NEXT if verdict.complete else "make the measuring run again: it is not taken in parts"
    plan = plan_beside(journal)
    if _is_another(plan, past.digest):
        return [], f"{plan} has been made again since this run, and its frames differ: find the plan of the run"
    otherwise = sort if verdict.complete else "verify the card itself, or a copy that keeps file times"
    return _commands(verdict, plan, journal, past, again), otherwise


def _is_another(plan: Path, digest: str) -> bool:
    """Whether the plan beside the journal is not the one that was run; one that cannot be read may be."""
    from stacker.documents.panels import of_whole
    from stacker.documents.plan_file import read_plan

    try:
        return plan.is_file() and read_plan(plan).digest != of_whole(digest)
    except StackerError:
        return True


def _commands(verdict: Verdict, plan: Path, journal: Path, past: Past, again: tuple[int, ...]) -> list[str]:
    """What shoots the missing frames and those named; nothing where nobody can say which they are."""
    from stacker.documents.between import in_the_plan
    from stacker.driving.follow_up import drive_command, panel_words, resume_command

    commands = [resume_command(plan, journal, past)] if verdict.pending else []
    frames, between = in_the_plan({*verdict.to_shoot, *again}, past.between)
    which: list[tuple[str, ...]] = [("--frames", spans(frames))] if frames else []
    which += [tuple(word for one in between for word in ("--between", f"{one},{one + 1}"))] if between else []
    for words in which if verdict.times_fit else []:
        front_mm = typed_mm(past.front_at_mm)  # the rail stands at the other end now
        some = (*panel_words(past.panel), *words, "--go", "--front-at-mm", front_mm)
        commands.append(drive_command(plan, *some, url=past.url, warm_up_s=past.warm_up_s))
    return commands
