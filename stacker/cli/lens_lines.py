"""From a measured lens to the keys of a request, and what there is to say about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from stacker.errors import Refusal
from stacker.figures import significant

if TYPE_CHECKING:
    from stacker.calibrating.estimate import Estimate
    from stacker.calibrating.lens import LensFound, Told
    from stacker.documents.request import Request

_PUPILS = (0.05, 20.0)  # what the request takes
_APERTURES = (0.001, 1.3)
_SHOWS_WAVES = 0.25  # less than 1 % of the contrast of any detail
_SOFTER = 0.03  # of MTF50: less is within what an edge tells


def told_of(asked: Request) -> Told:
    """What a request says of its rig, as a perfect lens; of its contrast in focus, what was measured."""
    from stacker.calibrating.lens import Told
    from stacker.planning.criterion import Criterion
    from stacker.planning.rig import imaging_of

    perfect = replace(asked, focus=replace(asked.focus, lens_mtf50_lp_mm=None))
    imaging = imaging_of(perfect)
    criterion = Criterion.of(perfect, imaging)
    return Told(
        magnification=imaging.magnification,
        effective_f_number=imaging.effective_f_number,
        pixel_pitch_um=criterion.pixel_pitch_um,
        spectrum=criterion.spectrum,
        index=criterion.index,
        target_lp_mm=criterion.target_lp_mm,
        planned_lp_mm=Criterion.of(asked, imaging).target_lp_mm,
        resolved_contrast=asked.focus.resolved_contrast,
    )


def at_planned_detail(asked: Request, found: LensFound) -> LensFound:
    """The same with the f-number for the detail at which a plan with what was found holds its slices."""
    from stacker.calibrating.lens import f_number_of

    try:
        told = told_of(with_lines(asked, request_lines(asked, found)))
    except Refusal:  # no aperture explains the slice, and the contrast does not go with the one that was asked for
        return found
    return replace(found, effective_f_number=f_number_of(found.curve, told, found.finest_lp_mm))


def with_lines(asked: Request, lines: Mapping[str, float]) -> Request:
    """A request with values put into its blocks."""
    from stacker.documents.margins import Margins

    for key, value in lines.items():
        block, _, name = key.partition(".")
        changes: Any = {block: replace(getattr(asked, block) or Margins(), **{name: value})}
        asked = replace(asked, **changes)
    return asked


def request_lines(asked: Request, found: LensFound) -> dict[str, float]:
    """The keys of this kind of rig that hold what was found, and how sure that is."""
    from stacker.cli.calibrated import lines_of

    lines: dict[str, Estimate] = {}
    key = _aperture_key(asked)
    if (value := _solved(asked, key, found.effective_f_number)) is not None:
        lines[f"rig.{key}"] = value
    if found.mtf50_lp_mm is not None and _softness(asked, found) > _SOFTER:
        lines["focus.lens_mtf50_lp_mm"] = found.mtf50_lp_mm
    bend = found.curvature_um
    if bend is not None and abs(bend.value) > bend.margin:
        lines["focus.field_curvature_um"] = bend
    return lines_of(lines)


def _aperture_key(asked: Request) -> str:
    """Which key of the rig the f-number through it depends on."""
    from stacker.documents.rigs import CoupledRig, ObjectiveRig

    if isinstance(asked.rig, (CoupledRig, ObjectiveRig)):
        return "na"
    return "pupil_magnification" if asked.rig.effective_f_number is None else "effective_f_number"


def _solved(asked: Request, key: str, f_number: Estimate) -> Estimate | None:
    """The value of a key with which the rig has an effective f-number; None where no value does."""
    from stacker.calibrating.estimate import solved
    from stacker.planning.rig import imaging_of

    if key == "effective_f_number":
        return f_number
    given: Any = asked.rig

    def effective(value: float) -> float:
        return imaging_of(replace(asked, rig=replace(given, **{key: value}))).effective_f_number

    try:
        return solved(effective, f_number, *(_APERTURES if key == "na" else _PUPILS))
    except Refusal:  # the rig cannot be with such a value
        return None


def _softness(asked: Request, found: LensFound) -> float:
    """How much coarser than a perfect lens's the detail at contrast one half is, as a share."""
    assert found.mtf50_lp_mm is not None
    return 1 - found.mtf50_lp_mm.value / perfect_mtf50_lp_mm(told_of(asked), found.effective_f_number.value)


def _aberration(found: LensFound) -> Iterator[str]:
    waves = found.spherical_waves
    if waves.value - waves.margin > _SHOWS_WAVES:
        yield (
            f"Coarse and fine detail are sharpest in different planes, as with {significant(waves.value, 2)} waves of "
            "spherical aberration (W040): the lens is softer than a perfect one"
            + (". How soft, an edge tells (--edge)." if found.mtf50_lp_mm is None else ".")
            + " The aperture that is written takes that in: it is a perfect lens's whose slices are as thick."
        )


def perfect_mtf50_lp_mm(told: Told, f_number: float) -> float:
    """Where a perfect lens of an effective f-number gives contrast one half on this camera [line pairs a mm]."""
    from stacker.optics.contrast import in_focus_contrast
    from stacker.optics.otf import falling_root

    def above(frequency: Any) -> Any:
        return (
            in_focus_contrast(
                frequency,
                effective_f_number=f_number,
                pixel_pitch_um=told.pixel_pitch_um,
                spectrum=told.spectrum,
            )
            - 0.5
        )

    return float(falling_root(above, 0.0, 1e3 / told.pixel_pitch_um))


def sentences_of(asked: Request, told: Told, found: LensFound, lines: Mapping[str, float]) -> Iterator[str]:
    """What a person should know besides the numbers."""
    ratio = found.effective_f_number.value / told.effective_f_number
    yield (
        f"By the request the effective f-number is {significant(told.effective_f_number)}; the slice is as thick "
        f"as with a perfect lens of {significant(found.effective_f_number.value)}."
        if abs(ratio - 1) > 0.005
        else "The slice is as thick as the request says."
    )
    key = _aperture_key(asked)
    if f"rig.{key}" not in lines:
        yield f"No {key} explains it, so none is written: is the f-number the one that was set?" + (
            f" Or write effective_f_number: {significant(found.effective_f_number.value)} instead of f_number."
            if key == "pupil_magnification"
            else ""
        )
    yield from _aberration(found)
    if found.mtf50_lp_mm is not None:
        best = perfect_mtf50_lp_mm(told, found.effective_f_number.value)
        soft = _softness(asked, found)
        yield (
            f"A perfect lens of that f-number gives contrast 0.5 at {significant(best)} line pairs a mm: yours is "
            + (
                f"softer, by {soft:.0%}."
                if soft > _SOFTER
                else "as sharp, as far as this tells; nothing is written for it."
            )
        )
    if found.curvature_um is not None:
        bend = found.curvature_um
        if abs(bend.value) <= bend.margin:
            yield "The field is flat, as far as this tells."
        right_um, down_um = found.tilt_um or (0.0, 0.0)
        yield f"The target leaned, {right_um:+.3g} um from left to right, {down_um:+.3g} um downward: taken off."
