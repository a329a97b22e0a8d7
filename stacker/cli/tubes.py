"""``stacker tubes``: what a lens reaches with the tubes at hand."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import click

from stacker.cli.numbers import FINITE
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Fault, InputError, Refusal


class Numbers(click.ParamType):  # type: ignore[type-arg,unused-ignore]  # generic from click 8.2 on
    """Numbers in a row, parted by commas or an x; of a fixed count where ``count`` says so."""

    name = "numbers"

    def __init__(self, count: int | None = None) -> None:
        self.count = count

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Read ``11,19,34`` or ``23.5x15.7``."""
        if isinstance(value, tuple):
            return value
        parts = [part for part in re.split(r"[,x\s]+", value.strip()) if part]
        try:
            numbers = tuple(float(part) for part in parts)
        except ValueError:
            numbers = ()
        right_count = self.count is None or len(numbers) == self.count
        if (parts and not numbers) or not right_count or not all(0 < number < 1e6 for number in numbers):
            example = "23.5x15.7" if self.count else "11,19,34"
            self.fail(f"found '{value}'; write numbers above 0, as in {example}", param, ctx)
        return numbers


@click.command(name="tubes")
@click.option("--focal-length-mm", type=FINITE, required=True, help="As marked on the lens.")
@click.option("--max-magnification", type=FINITE, required=True, help="Of the lens alone, from its data sheet.")
@click.option("--minimum-focus-mm", type=FINITE, help="Subject to sensor, from its data sheet.")
@click.option("--pupil-magnification", type=FINITE, default=1.0, show_default=True, help="Exit over entrance pupil.")
@click.option("--f-number", type=FINITE, default=5.6, show_default=True, help="As marked.")
@click.option("--front-offset-mm", type=FINITE, help="Lens rim in front of the front principal plane.")
@click.option("--tubes-mm", type=Numbers(), required=True, help="All tubes at hand, as 11,19,34.")
@click.option("--sensor-mm", type=Numbers(2), default="23.5x15.7", show_default=True, help="Width x height.")
@click.option("--pixels", type=Numbers(2), default="6000x4000", show_default=True, help="Columns x rows.")
@click.option("--subject-width-mm", type=FINITE, help="Mark the sets that frame it.")
@output_options
def command(*, as_json: bool, quiet: bool, **flags: Any) -> None:
    """Show what a lens reaches with every set of the tubes at hand, focused at its nearest.

    \b
    Example:
      stacker tubes --focal-length-mm 40 --max-magnification 0.16 \\
        --tubes-mm 10,16,21
    """
    from stacker.optics.focusing import FocusingLens
    from stacker.planning.tubes import FILLS, tube_rows
    from stacker.presenting.tubes_table import tubes_table

    faults = [
        Fault(path=f"--{name.replace('_', '-')}", line=0, column=0, key="", text=f"found {value:g}; write {wanted}")
        for name, value in flags.items()
        if isinstance(value, float) and (wanted := _unfit(name, value))
    ]
    if faults:
        raise InputError(faults)
    columns = int(flags.pop("pixels")[0])
    ring = FocusingLens(
        **{name: flags.pop(name) for name in ("focal_length_mm", "max_magnification", "minimum_focus_mm")}
    )
    try:
        rows = tube_rows(ring, columns=columns, **flags)
    except Refusal as refusal:
        raise Refusal(f"--{(refusal.key or 'tubes_mm').replace('_', '-')}: {refusal}") from None
    if as_json:
        write_json(result_document("tubes", [dataclasses.asdict(row) for row in rows]))
        return
    if not quiet:
        click.echo("\n".join(tubes_table(rows, FILLS)))
    note("Next: stacker new lens -o mine.yaml, and write the tubes you chose into it", quiet=quiet)


def _unfit(name: str, value: float) -> str | None:
    """What to write instead of a number that cannot be."""
    if name == "front_offset_mm":
        return None if -1000 <= value <= 1000 else "a number from -1000 to 1000, in mm"
    if name == "max_magnification":
        return None if 0 <= value <= 20 else "a number from 0 to 20"
    return None if 0 < value < 1e5 else "a number above 0"
