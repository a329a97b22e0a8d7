"""``stacker export``: the sequence for other machines and for hands."""

from __future__ import annotations

from pathlib import Path

import click

from stacker.cli.output import keep_other_files, note, output_options, result_document, write_json
from stacker.cli.streams import write_bytes
from stacker.errors import Refusal
from stacker.figures import as_typed


@click.command(name="export")
@click.argument("plan", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "form",
    type=click.Choice(("csv", "gcode", "dial")),
    required=True,
    help="The table; RS274/NGC words for another controller; a sheet for a hand rail.",
)
@click.option(
    "--dwell",
    type=click.Choice(("seconds", "milliseconds")),
    default="seconds",
    help="With gcode: the unit of G4 P; by the standard it is seconds.",
)
@click.option("--plain", is_flag=True, help="With gcode: no comments and no M2, for boards that refuse them.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write this file instead of printing.")
@output_options
def command(plan: Path, *, form: str, dwell: str, plain: bool, output: Path | None, as_json: bool, quiet: bool) -> None:
    """Print the step sequence of PLAN for another machine, or for manual use.

    Nothing in an exported program checks a limit: try it without the subject first.

    \b
    Example:
      stacker export beetle.plan.yaml --format gcode -o beetle.nc
    """
    from stacker.documents.files import write_whole
    from stacker.documents.plan_file import read_plan

    if form != "gcode" and (plain or dwell != "seconds"):
        raise click.UsageError("--dwell and --plain are for --format gcode.")
    read = read_plan(plan)
    text = _text(form, plan, read, milliseconds=dwell == "milliseconds", plain=plain)
    if output is not None:
        keep_other_files(output, _PLAIN if plain else _BEGINNINGS[form], f"{form} export")
        write_whole(output, text)
    if as_json:
        path = None if output is None else str(output)
        write_json(result_document("export", {"format": form, "path": path, "text": text}))
    elif output is None and not quiet:
        write_bytes(text.encode("utf-8"))
    if read.panels is not None:
        count = len(read.panels.panels)
        note(f"This is one stack of {count} panels: 'stacker drive {as_typed(plan)}' shows their map.", quiet=quiet)
    where = "" if output is None else f"Written to {output}\n"
    note(f"{where}Next: {_NEXT[form]}", quiet=quiet or as_json)


_BEGINNINGS = {"csv": "frame,focus_um,", "gcode": "(plan ", "dial": "Dial sheet: "}
_PLAIN = "G21\nG90\nG94\n"
_NEXT = {
    "csv": "open it in a spreadsheet, or: stacker report PLAN",
    "gcode": "try it without the subject; check every file afterwards: another machine keeps no journal",
    "dial": "print it, and tick a box for every frame",
}


def _text(form: str, path: Path, plan: object, *, milliseconds: bool, plain: bool) -> str:
    from stacker.documents.plan import Plan
    from stacker.presenting.export_csv import csv_text
    from stacker.presenting.export_dial import dial_text
    from stacker.presenting.export_gcode import gcode_text

    assert isinstance(plan, Plan)
    try:
        if form == "gcode":
            return gcode_text(plan, milliseconds=milliseconds, plain=plain)
        return {"csv": csv_text, "dial": dial_text}[form](plan)
    except Refusal as refusal:
        raise Refusal(f"{path}: {refusal}", code=refusal.code, key=refusal.key) from None
