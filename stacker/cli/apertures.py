"""``stacker apertures``: what each f-number buys."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.metered import note_exposure_that_stays
from stacker.cli.numbers import ABOVE_0, FROM_1
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.planning.apertures import ApertureRow


@click.command(name="apertures")
@click.argument("request", type=click.Path(path_type=Path))
@click.option("--detail-um", type=ABOVE_0, help="Resolve a line pair of this width, in the fewest frames.")
@click.option("--frames", type=FROM_1, help="The finest detail within this many frames.")
@click.option("--minutes", type=ABOVE_0, help="The finest detail within this many minutes.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Instead of what the file says.")
@output_options
def command(
    request: Path,
    detail_um: float | None,
    frames: int | None,
    minutes: float | None,
    overrides: tuple[str, ...],
    *,
    as_json: bool,
    quiet: bool,
) -> None:
    """Plan the stack of a REQUEST at every marked f-number and compare.

    With a goal, the f-number that meets it best is sought between the marks too. Goals may be combined.

    \b
    Examples:
      stacker apertures beetle.yaml --detail-um 6
      stacker apertures beetle.yaml --frames 120 --minutes 20
    """
    from stacker.documents.loading import load_request
    from stacker.planning.aperture_search import Goal, best_aperture
    from stacker.planning.apertures import aperture_rows, marked_f_number, set_options
    from stacker.presenting.apertures_table import apertures_table, trade_off, why_none_meets

    loaded = load_request(request, overrides)
    note_exposure_that_stays(loaded.value, overrides, quiet=quiet)
    goal = Goal(detail_um=detail_um, frames=frames, minutes=minutes)
    sought = any(value is not None for value in (detail_um, frames, minutes))
    try:
        rows = aperture_rows(loaded.value)
        own = marked_f_number(loaded.value)
        best = best_aperture(loaded.value, goal) if sought else None
    except Refusal as refusal:
        raise loaded.located(refusal) from None
    rows = _with(rows, best)
    if as_json:
        result = {
            "rows": [dataclasses.asdict(row) for row in rows],
            "goal": dataclasses.asdict(goal),
            "best_f_number": best.f_number if best else None,
        }
        write_json(result_document("apertures", result))
        return
    if not quiet:
        chosen = best.f_number if best else None
        click.echo("\n".join([*apertures_table(rows, own, chosen), *trade_off(rows, own, chosen)]))
        if sought and best is None:
            click.echo("\n".join(["", *why_none_meets(rows, detail_um, frames, minutes)]))
    sets = " --set ".join(set_options(loaded.value, best.f_number if best else own))
    note(f"Next: stacker plan {as_typed(request)} --set {sets}", quiet=quiet)


def _with(rows: list[ApertureRow], best: ApertureRow | None) -> list[ApertureRow]:
    """The rows and the best one, each f-number once."""
    if best is None or best.f_number in {row.f_number for row in rows}:
        return rows
    return sorted([*rows, best], key=lambda row: row.f_number)
