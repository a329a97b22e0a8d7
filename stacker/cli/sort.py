"""``stacker sort``: the pictures of verified runs, handed over in depth order."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.brackets import bracket_option, pictures_a_frame
from stacker.cli.numbers import Whole
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.cli.panel_sets import panels_not_taken, with_their_sets
from stacker.errors import Refusal
from stacker.figures import as_typed, one_line

if TYPE_CHECKING:
    from stacker.verifying.copying import Order, Put
    from stacker.verifying.sorting import Sorted


@click.command(name="sort")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--journal",
    "journals",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    multiple=True,
    required=True,
    help="Journal of the run; repeat for each run whose pictures are in FOLDER.",
)
@click.option("--into", type=click.Path(path_type=Path), required=True, help="The folder to hand over, new or empty.")
@click.option(
    "--groups", "group", type=Whole(2, 100_000), help="Divide each stack into sub-stacks of at most so many frames."
)
@click.option(
    "--shared", type=Whole(0, 50_000), help="Frames that a sub-stack has in common with the next; with --groups."
)
@bracket_option
@click.option("--copy", "copies", is_flag=True, help="Copy, even where hard links are possible.")
@click.option("--go", is_flag=True, help="Do it; otherwise it is only told.")
@output_options
def command(
    folder: Path,
    *,
    journals: tuple[Path, ...],
    into: Path,
    group: int | None,
    shared: int | None,
    bracket: int | None,
    copies: bool,
    go: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Hand over the pictures in FOLDER in depth order, under names that sort from front to back.

    Test shots, doubles and whatever is in doubt are left out and named; exit code 1 if a frame is missing or in doubt.
    The originals are only read. Without --go nothing is written. Cut off, it goes on when called again.

    \b
    Example:
      stacker sort CARD/ --journal beetle-20310504-220000Z.run.jsonl \\
        --into sorted/ --groups 40 --shared 4
    """
    from stacker.presenting.hand_over_text import LIST, hand_over_text, how_text
    from stacker.verifying.copying import Order, refuse_foreign, refuse_place
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.sorting import sort_stacks

    if shared is not None and group is None:
        raise click.UsageError("--shared is for --groups: how many frames a sub-stack shares with the next.")
    named, journals = journals, with_their_sets(journals, quiet=quiet or as_json)
    runs = [read_run(path) for path in journals]
    each = pictures_a_frame(bracket, runs)
    found = read_folder(folder, pictures_each=each)
    refuse_place(folder, into)
    stacks = sort_stacks(runs, found, pictures_each=each, group=group, shared=shared or 0)
    pieces = [piece for one in stacks if one.hand_over for piece in one.hand_over.pieces]
    if not pieces:
        raise _nothing_sure(stacks, _look(folder, named, bracket))
    orders = [Order(source=folder / piece.source, target=piece.target) for piece in pieces]
    refuse_foreign(into, orders, (LIST,))
    _refuse_other_list(into / LIST)
    put: dict[PurePosixPath, Put] = {}
    if go:
        put = _hand_over(stacks, orders, into, folder, copies=copies, quiet=quiet or as_json)
    if as_json:
        write_json(result_document("sort", _document(stacks, put, into, written=go)))
    elif not quiet:
        sizes = {piece.source: (folder / piece.source).stat().st_size for piece in pieces}
        click.echo(
            "\n".join([*hand_over_text(stacks, sizes, into, written=go), *how_text(put.values(), copies=copies)])
        )
    said, not_taken = panels_not_taken(journals)
    for line in said:
        note(line, quiet=quiet or as_json)
    whole = all(one.whole for one in stacks) and not not_taken
    if not whole:
        note(_look(folder, named, bracket), quiet=quiet or as_json)
    last = f"What came from where: {into / LIST}" if go else "Nothing was written. Next: the same with --go"
    note(last, quiet=quiet or as_json)
    if not whole:
        click.get_current_context().exit(1)


def _hand_over(
    stacks: Sequence[Sorted], orders: Sequence[Order], into: Path, folder: Path, *, copies: bool, quiet: bool
) -> dict[PurePosixPath, Put]:
    from stacker.documents.files import write_whole
    from stacker.presenting.hand_over_text import LIST, list_text
    from stacker.verifying.copying import put_all

    done = put_all(orders, into, copies=copies, told=_progress(len(orders), quiet=quiet))
    put = {one.target: one for one in done}
    write_whole(into / LIST, list_text(stacks, put, folder))
    return put


def _nothing_sure(stacks: Sequence[Sorted], look: str) -> Refusal:
    reasons = "; ".join(f"{one_line(Path(one.verdict.main).name)}: {one.why_not}" for one in stacks)
    return Refusal(f"nothing can be put in depth order ({reasons}). {look}", code="order")


def _look(folder: Path, journals: Sequence[Path], bracket: int | None) -> str:
    named = " ".join(f"--journal {as_typed(journal)}" for journal in journals)
    each = "" if bracket is None else f" --bracket {bracket}"
    return f"What is amiss, and what takes it again: stacker verify {as_typed(folder)} {named}{each}"


def _refuse_other_list(path: Path) -> None:
    from stacker.presenting.hand_over_text import LIST_HEAD

    if path.exists():
        with path.open("rb") as file:
            if file.read(len(LIST_HEAD)) != LIST_HEAD.encode():
                raise Refusal(f"{path} is no list of a hand-over; name a new folder after --into", code="exists")


def _progress(total: int, *, quiet: bool) -> Callable[[Put], None]:
    """A line that counts, on a terminal alone."""
    count = 0

    def told(put: Put) -> None:
        nonlocal count
        count += 1
        if sys.stderr.isatty() and not quiet:
            click.echo(f"\r{count} of {total}: {str(put.target)[-50:]:<50}", nl=count == total, err=True)

    return told


def _document(
    stacks: Sequence[Sorted], put: Mapping[PurePosixPath, Put], into: Path, *, written: bool
) -> dict[str, Any]:
    return {
        "into": str(into),
        "written": written,
        "whole": all(one.whole for one in stacks),
        "stacks": [_stack_document(one, put) for one in stacks],
    }


def _stack_document(one: Sorted, put: Mapping[PurePosixPath, Put]) -> dict[str, Any]:
    from dataclasses import asdict

    document: dict[str, Any] = {"journals": one.verdict.journals, "whole": one.whole, "why_not": one.why_not or None}
    if one.hand_over is None:
        return document
    files = []
    for piece in one.hand_over.pieces:
        done = put.get(piece.target)
        how = {} if done is None else {"how": done.how, "bytes": done.size, "sha256": done.sha256}
        files.append({**asdict(piece), "source": str(piece.source), "target": str(piece.target), **how})
    return document | {
        "name": one.hand_over.name,
        "frames": len(one.hand_over.depth_um),
        "lacking": one.hand_over.lacking,
        "sub_stacks": [asdict(part) for part in one.hand_over.sub_stacks],
        "doubles": [str(path) for path in one.hand_over.doubles],
        "in_doubt": [str(path) for path in one.hand_over.in_doubt],
        "files": files,
    }
