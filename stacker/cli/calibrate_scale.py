"""``stacker calibrate scale``: magnification and pupil from photographed rulers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.calibrated import show_calibration
from stacker.cli.numbers import ABOVE_0, FROM_0
from stacker.cli.output import note, output_options
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.calibrating.estimate import Estimate
    from stacker.calibrating.scale import Ruler
    from stacker.documents.request import Request

_FAR_OFF = 1.3  # estimates from data sheets err by a tenth or so (common practice, no source)
_RULER_ERROR = (
    "Error of the ruler over the length seen (standard deviation); 0.02 unless given, 0.001 for lines under half a "
    "millimetre."
)


@click.command(name="scale")
@click.argument("request", type=click.Path(path_type=Path))
@click.option("--ruler", type=click.Path(path_type=Path), metavar="PICTURE", help="Find the lines in this picture.")
@click.option("--line-mm", type=ABOVE_0, help="With --ruler: from one of its finest lines to the next.")
@click.option("--ruler-mm", type=ABOVE_0, help="Or count by eye: length of ruler that was counted across.")
@click.option("--pixels", type=ABOVE_0, multiple=True, help="Pixels across it; repeat for each frame counted.")
@click.option("--moved-mm", type=ABOVE_0, help="How far the rail then moved the camera away, focus untouched.")
@click.option(
    "--ruler-after",
    type=click.Path(path_type=Path),
    metavar="PICTURE",
    help="Picture of the same ruler after that move.",
)
@click.option("--pixels-after", type=ABOVE_0, multiple=True, help="Or the pixels across the same length after it.")
@click.option(
    "--pixel-error", type=ABOVE_0, default=2.0, show_default=True, help="Error of one count (standard deviation)."
)
@click.option("--ruler-error-mm", type=FROM_0, help=_RULER_ERROR)
@click.option("--picture", type=click.Path(path_type=Path), help="With --ruler: draw its lines into this file.")
@click.option("--write", is_flag=True, help="Change these values in REQUEST, and nothing else.")
@output_options
def scale(request: Path, *, write: bool, as_json: bool, quiet: bool, **readings: Any) -> None:
    """Magnification from photographed rulers, for the camera of REQUEST.

    Focus on a ruler that lies square to the axis of the lens and along a side of
    the picture, at least 15 lines of it. PICTURE is the whole picture in full
    size, upright or not. Without one, count the pixels between two marks.

    For the entrance pupil, back the camera away on the rail, leave the focus
    alone, and photograph again: the lines may be blurred.

    \b
    Example:
      stacker calibrate scale beetle.yaml --ruler ruler.jpg --line-mm 1
      stacker calibrate scale beetle.yaml --ruler-mm 10 --pixels 4210 \\
        --moved-mm 8 --pixels-after 3890
    """
    from stacker.calibrating.scale import entrance_pupil_mm, magnification
    from stacker.cli.frame_counts import change_of_frames
    from stacker.cli.ruler_readings import Readings, ruler_of
    from stacker.documents.loading import load_request

    asked = load_request(request).value
    ruler, seen = ruler_of(Readings(**readings), asked.camera)
    found: dict[str, Estimate] = {"magnification": magnification(ruler)}
    if ruler.moved_mm is not None:
        found["entrance_pupil_mm"] = entrance_pupil_mm(ruler)
        pupil = _pupil_magnification(asked, ruler)
        found |= {} if pupil is None else {"pupil_magnification": pupil}
    words = {
        "magnification": "magnification",
        "entrance_pupil_mm": "entrance pupil to the ruler in focus, mm",
        "pupil_magnification": "pupil magnification, as mounted",
    }
    lines = _request_lines(asked, found)
    frames, sentence = change_of_frames(request, lines)
    show_calibration(
        "calibrate scale",
        found,
        words,
        lines,
        request,
        load=load_request if write else None,
        as_json=as_json,
        quiet=quiet,
        facts=(seen.facts if seen else {}) | {"frames": frames},
        sentences=[
            *(seen.sentences if seen else ()),
            *_not_written(found, lines),
            *([sentence] if sentence else []),
        ],
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


def _not_written(found: Mapping[str, Estimate], lines: Mapping[str, float]) -> Iterator[str]:
    """What was found and has no key in this kind of rig, and why."""
    if "entrance_pupil_mm" not in found or "rig.entrance_pupil_mm" in lines:
        return
    if "rig.pupil_magnification" in lines:
        yield "The entrance pupil is not written: it follows from focal length and pupil magnification."
    else:
        yield (
            "The pupil is not written: with a close-up lens what was found is of the pair, and the request has the "
            "lens by itself. 'stacker calibrate lens' gives that, or kind measured takes the pair as it is."
        )


def _request_lines(asked: Request, found: Mapping[str, Estimate]) -> dict[str, float]:
    """The keys of this kind of rig that hold what was found, and how sure that is."""
    from stacker.calibrating.estimate import propagated
    from stacker.cli.calibrated import lines_of
    from stacker.documents.rigs import CoupledRig, LensRig, MeasuredRig, ObjectiveRig, ReversedRig

    m, rig = found["magnification"], asked.rig
    lines: dict[str, Estimate] = {}
    if isinstance(rig, ReversedRig) or (isinstance(rig, MeasuredRig) and rig.field_width_mm is not None):
        lines["rig.field_width_mm"] = propagated(lambda value: asked.camera.sensor_mm[0] / value, m)
    else:
        lines["rig.magnification" if isinstance(rig, MeasuredRig) else "rig.measured_magnification"] = m
    if isinstance(rig, (MeasuredRig, CoupledRig, ObjectiveRig)) and (pupil := found.get("entrance_pupil_mm")):
        lines["rig.entrance_pupil_mm"] = pupil
    # a close-up lens moves the entrance pupil: what was found is of the pair, and the key is of the lens by itself
    alone = isinstance(rig, ReversedRig) or (isinstance(rig, LensRig) and not rig.close_up_dioptres)
    if alone and (ratio := found.get("pupil_magnification")):
        turned = isinstance(rig, ReversedRig)  # the request has it of the lens the right way round
        lines["rig.pupil_magnification"] = propagated(lambda value: 1 / value if turned else value, ratio)
    return lines_of(lines)
