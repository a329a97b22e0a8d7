"""``stacker apertures``: what each f-number buys."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal


@click.command(name="apertures", short_help="what each f-number buys: detail, frames, time")
@click.argument("request", type=click.Path(path_type=Path))
@click.option("--detail-um", type=click.FloatRange(min=0, min_open=True), help="Detail on the subject to resolve.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Instead of what the file says.")
@output_options
def command(request: Path, detail_um: float | None, overrides: tuple[str, ...], *, as_json: bool, quiet: bool) -> None:
    r"""Plan the stack of a REQUEST at every marked f-number and compare.

    \b
    Example:
      stacker apertures beetle.yaml --detail-um 6
    """
    from stacker.documents.loading import load_request
    from stacker.planning.apertures import aperture_rows, fewest_frames_for
    from stacker.presenting.apertures_table import apertures_table

    loaded = load_request(request, overrides)
    try:
        rows = aperture_rows(loaded.value)
    except Refusal as refusal:
        raise loaded.located(refusal) from None
    best = None if detail_um is None else fewest_frames_for(rows, detail_um)
    if as_json:
        result = {
            "rows": [dataclasses.asdict(row) for row in rows],
            "detail_um": detail_um,
            "fewest_frames_at_f_number": best.f_number if best else None,
        }
        write_json(result_document("apertures", result))
        return
    own = getattr(loaded.value.rig, "f_number", None)
    if not quiet:
        cells = [dataclasses.asdict(row) for row in rows]
        click.echo("\n".join(apertures_table(cells, own, best.f_number if best else None)))
        if detail_um is not None and best is None:
            click.echo(f"None of these resolves {detail_um:g} um: use more magnification, or a smaller pixel.")
    chosen = best.f_number if best else own
    note(f"Next: stacker plan {request} --set rig.f_number={chosen:g}", quiet=quiet)
