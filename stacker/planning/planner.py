"""From a draft to the plan: rounded for the file, with clock, budget, warnings and advice."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from stacker import __version__
from stacker.documents.focus import MODELS
from stacker.documents.plan import (
    COLUMNS,
    FORMAT,
    Assumed,
    Compared,
    Coverage,
    DepthOfField,
    Frames,
    Motion,
    Optics,
    Plan,
)
from stacker.documents.request import Request
from stacker.optics.diffraction import airy_diameter_um
from stacker.optics.perspective import edge_reference
from stacker.planning.advice import advice_of
from stacker.planning.budget import budget_of, timeline_of
from stacker.planning.criterion import Aperture
from stacker.planning.draft import Draft, draft_of
from stacker.planning.focus_grid import FloatArray, IntArray
from stacker.planning.panels import panels_of
from stacker.planning.rail_use import distance_to_subject_mm
from stacker.planning.remedies import telling_keys
from stacker.planning.warn import warnings_of

# ------------------------------------------------------------------------------------------------------- the plan


@telling_keys
def plan_of(request: Request, assumed: dict[str, Any]) -> Plan:
    """Plan a stack.

    Parameters
    ----------
    request : Request
        What a person asks for.
    assumed : dict
        The defaults that were taken for want of better values, by dotted key.

    Returns
    -------
    Plan
        Not yet written: its digest is empty.

    Raises
    ------
    Refusal
        If the stack cannot or must not be shot like this.
    """
    draft = draft_of(request)
    timeline, laid = timeline_of(draft), panels_of(draft)
    exposures, whole = (laid[0].exposures, laid[1]) if laid else (draft.planes.frame_count, timeline)
    guesses = dict(assumed)
    if not draft.imaging.measured:
        guesses["magnification"] = "estimated, not measured"
    return Plan(
        stacker_plan=FORMAT,
        planner=__version__,
        name=request.name or "stack",
        digest="",
        request=request,
        assumed=tuple(Assumed(key=key, value=value) for key, value in guesses.items()),
        optics=_optics(draft),
        depth_of_field=_depth_of_field(draft),
        coverage=_coverage(draft),
        motion=_motion(draft),
        panels=laid[0] if laid else None,
        budget=_rounded(budget_of(request, exposures, whole)),
        advice=advice_of(draft),
        warnings=warnings_of(draft),
        frames=_frames(draft, timeline.start_s if timeline else None),
    )


def six_digits(value: float | None) -> float | None:
    """A number to six significant digits, without a negative zero; infinity is not known."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}") + 0.0


def _rounded(block: Any) -> Any:
    return replace(
        block,
        **{
            name: six_digits(value)
            for name in block.__dataclass_fields__
            if isinstance(value := getattr(block, name), float)
        },
    )


def _optics(draft: Draft) -> Optics:
    imaging, focus = draft.imaging, draft.request.focus
    low, high = imaging.magnification_range
    width_mm, height_mm = draft.field_mm
    airy_um = airy_diameter_um(effective_f_number=imaging.effective_f_number, wavelength_nm=focus.mean_wavelength_nm)
    optics = Optics(
        magnification=imaging.magnification,
        magnification_range=(_six(low), _six(high)),
        f_number=imaging.f_number,
        effective_f_number=imaging.effective_f_number,
        object_na=imaging.object_na,
        pupil_magnification=imaging.pupil_magnification,
        light_loss_stops=imaging.light_loss_stops,
        field_mm=(_six(width_mm), _six(height_mm)),
        working_distance_mm=distance_to_subject_mm(draft.request, imaging),
        entrance_pupil_mm=imaging.entrance_pupil_mm,
        airy_um=float(airy_um),
        finest_detail_um=draft.finest_detail_um,
        diffraction_f_number=draft.diffraction_f_number,
    )
    rounded: Optics = _rounded(optics)
    return rounded


def _six(value: float) -> float:
    rounded = six_digits(value)
    assert rounded is not None
    return rounded


def _depth_of_field(draft: Draft) -> DepthOfField:
    criterion, front = draft.criterion, Aperture.of(draft.imaging)
    by_model = {f"{model}_um": six_digits(float(criterion.depth_by_model_um(model, front))) for model in MODELS}
    return DepthOfField(
        model=draft.request.focus.model,
        total_um=_six(float(criterion.slice_um(front))),
        target_lp_mm=_six(criterion.target_lp_mm),
        compared=Compared(**by_model),  # type: ignore[arg-type]
    )


def _coverage(draft: Draft) -> Coverage:
    planes, order = draft.planes, draft.shooting_order
    joined = planes.joined
    several = bool(joined.any())
    focus_um = planes.focus_um[order]
    moves: Any = draft.request.moves
    shallow = edge_reference(moves) == "nearest"
    first_is_reference = shallow == (draft.request.direction > 0)
    coverage = Coverage(
        frame_count=planes.frame_count,
        step_um=float(planes.step_um[joined].max()) if several else None,
        overlap=float(planes.overlap[joined].min()) if several else None,
        seam_contrast=draft.softest_seam,
        gap_risk=draft.gap_risk,
        edge_loss=draft.edge_loss,
        edge_reference_frame=1 if first_is_reference else planes.frame_count,
        first_focus_um=float(focus_um[0]),
        last_focus_um=float(focus_um[-1]),
        frames_saved=_frames_saved(draft),
    )
    rounded: Coverage = _rounded(coverage)
    return rounded


def _frames_saved(draft: Draft) -> int:
    """How many frames more the stack would have without its gaps."""
    subject = draft.request.subject
    if not subject.gaps:
        return 0
    without = draft_of(replace(draft.request, subject=replace(subject, gaps=())))
    return without.planes.frame_count - draft.planes.frame_count


def _motion(draft: Draft) -> Motion:
    planes, rail, order = draft.planes, draft.rail, draft.shooting_order
    motion = Motion(
        microstep_um=rail.microstep_um if rail else None,
        step_microsteps=int(planes.step_microsteps[planes.joined].max()) if rail and planes.joined.any() else None,
        take_up_microsteps=rail.take_up_microsteps if rail else None,
        travel_mm=float(planes.rail_um[-1] - planes.rail_um[0]) / 1000,
        start_microsteps=int(planes.position_microsteps[order][0]) if rail else None,
    )
    rounded: Motion = _rounded(motion)
    return rounded


def _frames(draft: Draft, start_s: FloatArray | None) -> Frames:
    planes, order, count = draft.planes, draft.shooting_order, draft.planes.frame_count
    positions = planes.position_microsteps[order]
    overlap: list[float | None] = [None, *_decimals("overlap", planes.overlap[order])]
    for pair in np.flatnonzero(~planes.joined[order]).tolist():  # across a gap none is meant
        overlap[pair + 1] = None
    unknown: list[Any] = [None] * count
    return Frames(
        frame=list(range(1, count + 1)),
        focus_um=_decimals("focus_um", planes.focus_um[order]),
        near_um=_decimals("near_um", planes.near_um[order]),
        far_um=_decimals("far_um", planes.far_um[order]),
        rail_um=_decimals("rail_um", planes.rail_um[order]),
        position_microsteps=_whole(positions) if draft.rail else unknown,
        move_microsteps=_whole(np.diff(positions, prepend=0)) if draft.rail else unknown,
        magnification=_decimals("magnification", draft.aperture.magnification[order]),
        effective_f_number=_decimals("effective_f_number", draft.aperture.effective_f_number[order]),
        dof_um=_decimals("dof_um", planes.slice_um[order]),
        overlap=overlap,
        exposure_s=unknown if draft.exposure_s is None else _decimals("exposure_s", draft.exposure_s[order]),
        start_s=unknown if start_s is None else _decimals("start_s", start_s),
    )


def _decimals(name: str, values: FloatArray) -> list[Any]:
    """Values with the decimals of their column, as the file will give them back; no negative zero."""
    decimals = COLUMNS[name].decimals
    assert decimals is not None
    column: list[Any] = (np.round(values, decimals) + 0.0).tolist()
    return column


def _whole(values: IntArray) -> list[Any]:
    column: list[Any] = values.tolist()
    return column
