"""``stacker calibrate rail``: lead, periodic error and backlash of the screw from an indicator."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.calibrated import show_calibration, with_margin
from stacker.cli.numbers import FROM_0
from stacker.cli.output import note, output_options
from stacker.cli.rail_across import Asked, Output, across_options, measure_across
from stacker.cli.rail_found import written_backlash
from stacker.errors import Refusal

if TYPE_CHECKING:
    from stacker.calibrating.readings import Readings
    from stacker.calibrating.screw import Screw


@click.command(name="rail")
@click.argument("profile", type=click.Path(path_type=Path))
@click.argument("readings", type=click.Path(path_type=Path), required=False)
@across_options
@click.option(
    "--indicator-error-um",
    type=FROM_0,
    help="Largest error of the indicator over the range read, from its data sheet; it is added to lead_error.",
)
@click.option(
    "--picture", type=click.Path(path_type=Path), help="Draw readings and fit into this file (svg, png, pdf)."
)
@click.option("--write", is_flag=True, help="Change these values in PROFILE, and nothing else.")
@output_options
def rail(
    profile: Path,
    readings: Path | None,
    *,
    indicator_error_um: float | None,
    picture: Path | None,
    write: bool,
    as_json: bool,
    quiet: bool,
    **across: Any,
) -> None:
    """Lead, periodic error, backlash and repeatability of the rail in PROFILE.

    With --across FOLDER by the pictures of a measuring run (drive --measure) that
    a camera took across the rail: microsteps and settling time, too.

    READINGS is a CSV file with the columns position_mm (or position_microsteps),
    reading_mm (or reading_um) of an indicator on the carriage, and approached:
    up where the last motion went to larger positions, down otherwise. At least
    six readings a turn of the screw, evenly spread, over three turns, both ways.

    \b
    Example:
      stacker calibrate rail bench.rail.yaml readings.csv --write
      stacker calibrate rail bench.rail.yaml --across CARD/ --journal J \\
        --ruler ruler.jpg --line-mm 1
    """
    output = Output(picture=picture, write=write, as_json=as_json, quiet=quiet)
    if across["across"] is not None:
        if readings is not None or indicator_error_um is not None:
            raise click.UsageError("give either READINGS of an indicator or --across with a folder of pictures.")
        measure_across(profile, Asked(**across), output)
    else:
        if idle := [name for name, value in across.items() if value is not None]:
            raise click.UsageError(f"--{idle[0].replace('_', '-')} goes with --across.")
        if readings is None:
            raise click.UsageError("give READINGS of an indicator, or --across with a folder of pictures.")
        _by_indicator(profile, readings, indicator_error_um or 0.0, output)


def _by_indicator(profile: Path, readings: Path, indicator_error_um: float, output: Output) -> None:
    from stacker.calibrating.estimate import rounded, rounded_up
    from stacker.calibrating.readings import parse_readings
    from stacker.calibrating.screw import fit_screw
    from stacker.documents.loading import load_rail
    from stacker.documents.rail_profile import HandRail
    from stacker.documents.source import read_text

    known = load_rail(profile).value
    if isinstance(known, HandRail):
        lead_mm, lead_key = known.dial.mm_per_turn, "dial.mm_per_turn"
    else:
        lead_mm, lead_key = known.lead_mm, "lead_mm"
    table = parse_readings(read_text(readings), str(readings), microstep_um=known.microstep_um)
    try:
        screw = fit_screw(table, lead_mm=lead_mm)
    except Refusal as refusal:
        raise Refusal(f"{readings}: {refusal}", code=refusal.code) from None
    if output.write and screw.outliers:
        places = ", ".join(map(str, screw.outliers))
        raise Refusal(
            f"{readings}: nothing was written: line {places} lies far from the fit, perhaps misread. Read it again, or "
            "delete it; without --write the fit is shown as it is.",
            code="misread",
        )
    lines = {
        lead_key: rounded(screw.lead_mm.value, screw.lead_mm.standard_error),
        "lead_error": rounded_up(screw.lead_error(indicator_error_um)),
        "periodic_error_um": rounded(screw.periodic_um.value, screw.periodic_um.standard_error),
        "backlash_um": written_backlash(screw.backlash_um),
        "repeatability_um": rounded_up(screw.scatter_um),
    }
    if output.picture is not None:
        _draw(output.picture, screw, lead_mm)
    found = {"lead_mm": screw.lead_mm, "periodic_error_um": screw.periodic_um, "backlash_um": screw.backlash_um}
    words = {
        "lead_mm": f"lead, mm ({1000 * screw.lead_deviation.value:+.3g} um a millimetre against the profile)",
        "periodic_error_um": "periodic error of the screw (amplitude), um",
        "backlash_um": "backlash, um",
    }
    show_calibration(
        "calibrate rail",
        found,
        words,
        lines,
        profile,
        load=load_rail if output.write else None,
        as_json=output.as_json,
        quiet=output.quiet,
    )
    for remark in _remarks(screw, indicator_error_um):
        note(remark, quiet=output.quiet)
    if screw.outliers:
        note(_without_misread(table, screw, lead_mm), quiet=output.quiet)
    note(
        "Next: stacker plan REQUEST, since steps, margins and gap risk follow the profile",
        quiet=output.quiet or output.as_json,
    )


def _remarks(screw: Screw, indicator_error_um: float) -> list[str]:
    said = []
    if screw.backlash_um.value <= screw.backlash_um.margin:
        said.append("The backlash cannot be told from zero: the most that it may be is used.")
    if not screw.periodic_is_clear:
        said.append(
            "The periodic error does not stand out from the scatter, which makes it look larger than it is: take more "
            "readings if it matters."
        )
    if not indicator_error_um:
        said.append("lead_error takes the indicator for perfect; --indicator-error-um adds the error of yours.")
    return said


def _without_misread(table: Readings, screw: Screw, lead_mm: float) -> str:
    """Which lines to read again, and what the others say by themselves."""
    from stacker.calibrating.screw import fit_screw

    places = ", ".join(map(str, screw.outliers))
    told = f"Far from the fit, perhaps misread: line {places}. Do not use the figures above.\n"
    try:
        other = fit_screw(table.without(screw.outliers), lead_mm=lead_mm)
    except Refusal as refusal:
        return f"{told}Read it again; the other lines alone are not enough: {refusal}"
    found = (
        ("lead", other.lead_mm, "mm"),
        ("periodic error", other.periodic_um, "um"),
        ("backlash", other.backlash_um, "um"),
    )
    figures = "\n".join(f"  {name} {with_margin(one)} {unit}" for name, one, unit in found)
    more = ", ".join(map(str, other.outliers))
    then = f"\nThen line {more} lies far off too." if more else ""
    return f"{told}Without it:\n{figures}{then}\nRead it again, or delete the line, then calibrate again."


def _draw(picture: Path, screw: Screw, lead_mm: float) -> None:
    from stacker.presenting.screw_picture import screw_picture

    screw_picture(picture, screw, lead_mm=lead_mm)
