"""``stacker calibrate``: magnification from a ruler, the rail's screw from a dial indicator."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.numbers import ABOVE_0, FROM_0
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.calibrating.estimate import Estimate
    from stacker.calibrating.readings import Readings
    from stacker.calibrating.scale import Ruler
    from stacker.calibrating.screw import Screw
    from stacker.documents.request import Request

_FAR_OFF = 1.3  # estimates from data sheets err by a tenth or so (common practice, no source)
_FILE = click.Path(path_type=Path)


@click.group(name="calibrate")
def command() -> None:
    """Measure what a rig and a rail really do.

    \b
    Example:
      stacker calibrate scale beetle.yaml --ruler-mm 10 --pixels 4210
      stacker calibrate rail bench.rail.yaml readings.csv
    """


# ------------------------------------------------------------------------------------------------------- scale


@command.command(name="scale")
@click.argument("request", type=_FILE)
@click.option("--ruler-mm", type=ABOVE_0, required=True, help="Length of ruler that was counted across.")
@click.option("--pixels", type=ABOVE_0, multiple=True, required=True, help="Pixels across it; again for each frame.")
@click.option("--moved-mm", type=ABOVE_0, help="How far the rail then took the camera away, focus untouched.")
@click.option("--pixels-after", type=ABOVE_0, multiple=True, help="Pixels across the same length then.")
@click.option("--pixel-error", type=ABOVE_0, default=2.0, show_default=True, help="Of one count, standard deviation.")
@click.option("--ruler-error-mm", type=FROM_0, default=0.02, show_default=True, help="The ruler's, likewise.")
@click.option("--write", is_flag=True, help="Change these values in REQUEST, and nothing else.")
@output_options
def scale(
    request: Path,
    *,
    ruler_mm: float,
    pixels: tuple[float, ...],
    moved_mm: float | None,
    pixels_after: tuple[float, ...],
    pixel_error: float,
    ruler_error_mm: float,
    write: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Magnification from photographed rulers, for the camera of REQUEST.

    Focus on a ruler that lies square to the axis, and count pixels between two
    marks in a full-size picture. For the entrance pupil, back the camera away on
    the rail, leave the focus alone, and count again: the marks may be blurred.

    \b
    Example:
      stacker calibrate scale beetle.yaml --ruler-mm 10 --pixels 4210
      stacker calibrate scale beetle.yaml --ruler-mm 10 --pixels 4210 \\
        --moved-mm 8 --pixels-after 3890
    """
    from stacker.calibrating.estimate import Estimate, from_readings
    from stacker.calibrating.scale import Ruler, entrance_pupil_mm, magnification
    from stacker.documents.loading import load_request

    if (moved_mm is None) != (not pixels_after):
        raise click.UsageError("give --moved-mm and --pixels-after together: they are the second frame.")
    asked = load_request(request).value
    columns = asked.camera.pixels[0]
    if (most := max((*pixels, *pixels_after))) > columns:
        raise Refusal(
            f"found {most:g} pixels; a picture of this camera has {columns} columns. Count along the long side of a "
            "picture in full size.",
            code="too_many_pixels",
        )
    ruler = Ruler(
        length_mm=Estimate(value=ruler_mm, standard_error=ruler_error_mm),
        pixels=from_readings(pixels, stated_error=pixel_error),
        pixel_pitch_um=1000 * asked.camera.sensor_mm[0] / columns,
        moved_mm=None if moved_mm is None else Estimate(value=moved_mm),
        pixels_after=from_readings(pixels_after, stated_error=pixel_error) if pixels_after else None,
    )
    found: dict[str, Estimate] = {"magnification": magnification(ruler)}
    if moved_mm is not None:
        found["entrance_pupil_mm"] = entrance_pupil_mm(ruler)
        pupil = _pupil_magnification(asked, ruler)
        found |= {} if pupil is None else {"pupil_magnification": pupil}
    words = {
        "magnification": "magnification",
        "entrance_pupil_mm": "entrance pupil to the ruler in focus, mm",
        "pupil_magnification": "pupil magnification, as mounted",
    }
    lines = _request_lines(asked, found)
    _tell(
        "calibrate scale",
        found,
        words,
        lines,
        request,
        load=load_request if write else None,
        as_json=as_json,
        quiet=quiet,
    )
    if text := _far_from_estimate(asked, found["magnification"].value):
        note(text, quiet=quiet)
    note(f"Next: stacker plan {as_typed(request)}", quiet=quiet or as_json)


def _far_from_estimate(asked: Request, magnification: float) -> str | None:
    """What to look at where the rig as described gives another magnification than the ruler."""
    from dataclasses import replace

    from stacker.documents.rigs import MeasuredRig, ReversedRig
    from stacker.planning.rig import imaging_of

    if isinstance(asked.rig, (MeasuredRig, ReversedRig)):  # known by their rulers alone
        return None
    try:
        estimate = imaging_of(replace(asked, rig=replace(asked.rig, measured_magnification=None))).magnification
    except Refusal:
        return None
    if 1 / _FAR_OFF < magnification / estimate < _FAR_OFF:
        return None
    return (
        f"The rig as described should give {estimate:.3g}x. Is the ruler's length in mm, and are the pixels those of a "
        "picture in full size? Otherwise look at the lens, tubes and focused_at in the request."
    )


def _pupil_magnification(asked: Request, ruler: Ruler) -> Estimate | None:
    """From the lens before any converter, where its focal length is known."""
    from dataclasses import replace

    from stacker.calibrating.scale import pupil_magnification
    from stacker.planning.rig import imaging_of

    imaging = imaging_of(asked)
    if imaging.focal_length_mm is None:
        return None
    before = replace(ruler, pixel_pitch_um=ruler.pixel_pitch_um / imaging.converter)
    return pupil_magnification(before, imaging.focal_length_mm)


def _request_lines(asked: Request, found: Mapping[str, Estimate]) -> dict[str, float]:
    """The keys of this kind of rig that hold what was found."""
    from stacker.calibrating.estimate import rounded
    from stacker.documents.rigs import LensRig, MeasuredRig, ReversedRig

    m, rig = found["magnification"], asked.rig
    by_field = isinstance(rig, ReversedRig) or (isinstance(rig, MeasuredRig) and rig.field_width_mm is not None)
    if by_field:
        width_mm = asked.camera.sensor_mm[0] / m.value
        lines = {"rig.field_width_mm": rounded(width_mm, width_mm * m.standard_error / m.value)}
    else:
        key = "rig.magnification" if isinstance(rig, MeasuredRig) else "rig.measured_magnification"
        lines = {key: rounded(m.value, m.standard_error)}
    if isinstance(rig, MeasuredRig) and (pupil := found.get("entrance_pupil_mm")):
        lines["rig.entrance_pupil_mm"] = rounded(pupil.value, pupil.standard_error)
    # a close-up lens moves the entrance pupil: what was found is of the pair, and the key is of the lens by itself
    alone = isinstance(rig, ReversedRig) or (isinstance(rig, LensRig) and not rig.close_up_dioptres)
    if alone and (ratio := found.get("pupil_magnification")):
        turned = isinstance(rig, ReversedRig)  # the request has it of the lens the right way round
        value = 1 / ratio.value if turned else ratio.value
        lines["rig.pupil_magnification"] = rounded(value, value * ratio.standard_error / ratio.value)
    return lines


# -------------------------------------------------------------------------------------------------------- rail


@command.command(name="rail")
@click.argument("profile", type=_FILE)
@click.argument("readings", type=_FILE)
@click.option(
    "--indicator-error-um",
    type=FROM_0,
    default=0.0,
    help="Largest error of the indicator over the range read, by its maker; it adds to lead_error.",
)
@click.option("--picture", type=_FILE, help="Draw readings and fit into this file (svg, png, pdf).")
@click.option("--write", is_flag=True, help="Change these values in PROFILE, and nothing else.")
@output_options
def rail(
    profile: Path,
    readings: Path,
    *,
    indicator_error_um: float,
    picture: Path | None,
    write: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Lead, periodic error, backlash and repeatability of the rail in PROFILE.

    READINGS is a CSV file with the columns position_mm (or position_microsteps),
    reading_mm (or reading_um) of a dial indicator on the carriage, and approached:
    up where the last motion went to larger positions, down otherwise. At least
    six readings a turn of the screw, evenly spread, over three turns, both ways.

    \b
    Example:
      stacker calibrate rail bench.rail.yaml readings.csv --write
    """
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
    if write and screw.outliers:
        places = ", ".join(map(str, screw.outliers))
        raise Refusal(
            f"{readings}: nothing was written: line {places} lies far from the fit, perhaps misread. Read it again, or "
            "delete it; without --write the fit is shown as it is.",
            code="misread",
        )
    backlash = screw.backlash_um
    lines = {
        lead_key: rounded(screw.lead_mm.value, screw.lead_mm.standard_error),
        "lead_error": rounded_up(screw.lead_error(indicator_error_um)),
        "periodic_error_um": rounded(screw.periodic_um.value, screw.periodic_um.standard_error),
        "backlash_um": rounded(backlash.value, backlash.standard_error)
        if backlash.value > backlash.margin
        else rounded_up(abs(backlash.value) + backlash.margin),  # not clear of 0: the take-up must cover what it may be
        "repeatability_um": rounded_up(screw.scatter_um),
    }
    if picture is not None:
        _draw(picture, screw, lead_mm)
    found = {"lead_mm": screw.lead_mm, "periodic_error_um": screw.periodic_um, "backlash_um": screw.backlash_um}
    words = {
        "lead_mm": f"lead, mm ({1000 * screw.lead_deviation.value:+.3g} um a millimetre against the profile)",
        "periodic_error_um": "periodic error of the screw (amplitude), um",
        "backlash_um": "backlash, um",
    }
    _tell(
        "calibrate rail", found, words, lines, profile, load=load_rail if write else None, as_json=as_json, quiet=quiet
    )
    for remark in _remarks(screw, indicator_error_um):
        note(remark, quiet=quiet)
    if screw.outliers:
        note(_without_misread(table, screw, lead_mm), quiet=quiet)
    note("Next: stacker plan REQUEST, since steps, margins and gap risk follow the profile", quiet=quiet or as_json)


def _remarks(screw: Screw, indicator_error_um: float) -> list[str]:
    said = []
    if screw.backlash_um.value <= screw.backlash_um.margin:
        said.append("The backlash is not clear of zero: what it may be at most is taken.")
    if not screw.periodic_is_clear:
        said.append(
            "The periodic error does not stand out from the scatter, which makes it look larger than it is: take more "
            "readings if it matters."
        )
    if not indicator_error_um:
        said.append(
            "lead_error takes the indicator for perfect; with --indicator-error-um it holds for a real one too."
        )
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
    figures = "\n".join(f"  {name} {_with_margin(one)} {unit}" for name, one, unit in found)
    more = ", ".join(map(str, other.outliers))
    then = f"\nThen line {more} lies far off too." if more else ""
    return f"{told}Without it:\n{figures}{then}\nRead it again, or delete the line, then calibrate anew."


def _draw(picture: Path, screw: Screw, lead_mm: float) -> None:
    from stacker.presenting.screw_picture import screw_picture

    screw_picture(
        picture,
        turns=screw.turns,
        approached=screw.approached,
        residual_um=screw.residual_um,
        lead_um_per_turn=1000 * lead_mm * screw.lead_deviation.value,
        amplitude_um=screw.periodic_um.value,
        phase_turns=screw.phase_turns,
        backlash_um=screw.backlash_um.value,
    )


# -------------------------------------------------------------------------------------------------------- both


def _tell(
    name: str,
    found: Mapping[str, Estimate],
    words: Mapping[str, str],
    lines: Mapping[str, float],
    path: Path,
    *,
    load: Callable[..., Any] | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """What was found with its interval, then the lines for the file; with its reader, written into it."""
    from stacker.cli.edited import block_lines, write_values

    if load is not None:
        write_values(path, lines, load)
    if as_json:
        result: dict[str, Any] = {
            key: {"value": one.value, "standard_error": one.standard_error, "margin_95": one.margin}
            for key, one in found.items()
        }
        write_json(result_document(name, result | {"lines": dict(lines), "written": load is not None}))
        return
    if quiet:
        return
    for key, one in found.items():
        click.echo(f"{_with_margin(one)}  {words[key]}")
    click.echo("(+/-: an interval that holds the truth in 95 of 100 calibrations)")
    click.echo(f"\n{'Written into' if load else 'Lines for'} {path}:")
    for line in block_lines(lines):
        click.echo(f"  {line}")


def _with_margin(one: Estimate) -> str:
    decimals = max(0, _decimals(one.margin))
    return f"{one.value:.{decimals}f} +/- {one.margin:.{decimals}f}"


def _decimals(margin: float) -> int:
    """So many that the margin shows two significant digits."""
    import math

    return 1 - math.floor(math.log10(margin)) if margin > 0 else 4
