"""From the rig of a request to what it does to the light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

from stacker.documents.request import Request
from stacker.documents.rigs import CoupledRig, LensRig, MeasuredRig, ObjectiveRig, ReversedRig, RingRig
from stacker.errors import Refusal
from stacker.optics.focusing import FocusingLens, FocusSetting
from stacker.optics.imaging import Imaging
from stacker.optics.lenses import CloseUpLens, lens, magnification_from_field, measured, reversed_lens
from stacker.optics.mounting import Mounting
from stacker.optics.objectives import coupled_lenses, finite_objective, objective
from stacker.planning.remedies import telling_keys

_PROBE = 128.0  # an f-number at which no aperture is too large for air


@telling_keys
def imaging_of(request: Request) -> Imaging:
    """What the rig of a request does, with the front of the subject in focus.

    Raises
    ------
    Refusal
        If the rig cannot focus on anything, or cannot be computed; ``key`` tells which value decides it.
    """
    rig, width_mm = request.rig, request.camera.sensor_mm[0]
    if isinstance(rig, RingRig) and rig.f_number is None:
        rig = replace(rig, f_number=marked_f_number(request))
    match rig:
        case LensRig():
            return _of_lens(rig)
        case ReversedRig():
            return _of_reversed(rig, width_mm)
        case CoupledRig():
            return _of_coupled(rig)
        case ObjectiveRig():
            objective_ = _of_objective(rig)
            if rig.entrance_pupil_mm is None:
                return objective_
            return replace(objective_, entrance_pupil_mm=rig.entrance_pupil_mm, telecentric=False)
        case MeasuredRig():
            return _of_measured(rig, width_mm)


def marked_f_number(request: Request) -> float:
    """The marked f-number of a rig with a ring: as given, or what gives the effective one that is given instead.

    Marked and effective f-number are proportional through the same rig.

    Raises
    ------
    Refusal
        As from `imaging_of`.
    """
    rig = request.rig
    assert isinstance(rig, RingRig)
    if rig.f_number is not None:
        return rig.f_number
    assert rig.effective_f_number is not None  # the request's own check
    probe = imaging_of(replace(request, rig=replace(rig, f_number=_PROBE)))
    return _PROBE * rig.effective_f_number / probe.effective_f_number


def _mounting(
    rig: LensRig | CoupledRig | ObjectiveRig, *, index: float = 1.0, distance_mm: float | None = None
) -> Mounting:
    """What was measured of a rig; the distance is another one where nobody measured it."""
    return Mounting(
        measured_magnification=rig.measured_magnification,
        converter=rig.converter,
        working_distance_mm=rig.working_distance_mm or distance_mm,
        index=index,
    )


def _ring_of(rig: LensRig | ReversedRig) -> FocusingLens:
    return FocusingLens(
        focal_length_mm=rig.focal_length_mm,
        max_magnification=rig.max_magnification,
        minimum_focus_mm=rig.minimum_focus_mm,
    )


def _of_lens(rig: LensRig) -> Imaging:
    assert rig.f_number is not None
    _refuse_tubes_behind_converter(rig.tubes_behind_converter_mm)
    return lens(
        _ring_of(rig),
        f_number=rig.f_number,
        pupil_magnification=rig.pupil_magnification,
        extension_mm=sum(rig.tubes_mm),
        close_up=CloseUpLens(dioptres=rig.close_up_dioptres, gap_mm=rig.close_up_gap_mm),
        focused_at=cast("FocusSetting", rig.focused_at),
        front_offset_mm=rig.front_offset_mm,
        mounting=_mounting(rig),
    )


def _of_reversed(rig: ReversedRig, width_mm: float) -> Imaging:
    assert rig.f_number is not None
    _refuse_tubes_behind_converter(rig.tubes_behind_converter_mm)
    measured_magnification = None
    if rig.field_width_mm is not None:
        measured_magnification = magnification_from_field(sensor_width_mm=width_mm, field_width_mm=rig.field_width_mm)
    return reversed_lens(
        _ring_of(rig),
        f_number=rig.f_number,
        pupil_magnification=rig.pupil_magnification,
        image_distance_mm=rig.image_distance_mm,
        register_mm=rig.register_mm,
        focused_at=cast("FocusSetting", rig.focused_at),
        mounting=Mounting(
            measured_magnification=measured_magnification,
            converter=rig.converter,
            working_distance_mm=rig.working_distance_mm,
        ),
    )


def _refuse_tubes_behind_converter(tubes_mm: Sequence[float]) -> None:
    """What tubes between a converter and the camera do cannot be told from the converter's factor alone."""
    if tubes_mm:
        raise Refusal(
            f"found {', '.join(f'{tube:g}' for tube in tubes_mm)} mm; what tubes behind a converter do depends on "
            "the converter's own focal length: put them between lens and converter, under rig.tubes_mm, or "
            "photograph a ruler and use the kind measured",
            key="rig.tubes_behind_converter_mm",
        )


def _of_coupled(rig: CoupledRig) -> Imaging:
    coupled = coupled_lenses(
        rear_focal_length_mm=rig.rear_focal_length_mm,
        rear_f_number=rig.rear_f_number,
        front_focal_length_mm=rig.front_focal_length_mm,
        front_f_number=rig.front_f_number,
        mounting=_mounting(rig, distance_mm=rig.register_mm),
    )
    coupled = replace(coupled, entrance_pupil_mm=rig.entrance_pupil_mm)
    if rig.na is None:
        return coupled
    return replace(coupled, object_na=rig.na, effective_f_number=coupled.magnification / (2 * rig.na))


def _of_objective(rig: ObjectiveRig) -> Imaging:
    mounting = _mounting(rig, index=rig.immersion_index)
    if rig.reference_mm is not None and rig.tube_lens_mm is not None:
        return objective(
            magnification=rig.magnification,
            na=rig.na,
            reference_mm=rig.reference_mm,
            tube_lens_mm=rig.tube_lens_mm,
            mounting=mounting,
        )
    assert rig.tube_length_mm is not None  # the request's own check
    assert rig.reference_tube_length_mm is not None
    return finite_objective(
        magnification=rig.magnification,
        na=rig.na,
        tube_length_mm=rig.tube_length_mm,
        reference_tube_length_mm=rig.reference_tube_length_mm,
        mounting=mounting,
    )


def _of_measured(rig: MeasuredRig, width_mm: float) -> Imaging:
    assert rig.f_number is not None
    magnification = rig.magnification
    if magnification is None:
        assert rig.field_width_mm is not None  # the request's own check
        magnification = magnification_from_field(sensor_width_mm=width_mm, field_width_mm=rig.field_width_mm)
    imaging = measured(
        magnification=magnification,
        f_number=rig.f_number,
        pupil_magnification=rig.pupil_magnification,
        working_distance_mm=rig.working_distance_mm,
    )
    return replace(imaging, entrance_pupil_mm=rig.entrance_pupil_mm)
