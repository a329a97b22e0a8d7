"""From a request to a plan: the optics, the planes of focus, the rail, the clock, and what to know beforehand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from stacker import __version__
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
from stacker.errors import Refusal
from stacker.optics.diffraction import airy_diameter_um, diffraction_f_number, finest_detail_um
from stacker.optics.imaging import Imaging
from stacker.optics.perspective import edge_loss, edge_reference
from stacker.planning.advice import advice_of
from stacker.planning.budget import budget_of, timeline_of
from stacker.planning.coverage import Planes
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.focus_grid import FloatArray, IntArray
from stacker.planning.focusing import Focusing
from stacker.planning.gap_risk import gap_risk
from stacker.planning.rail_use import RailUse, refuse_collision, refuse_outside_limits
from stacker.planning.rig import imaging_of
from stacker.planning.warn import warnings_of
from stacker.records import record


@record
class Draft:
    """All that is computed before it is rounded for the file; columns in order of depth.

    ``seam_contrast`` has one value a pair of neighbouring planes.
    """

    request: Request
    imaging: Imaging
    criterion: Criterion
    rail: RailUse | None
    planes: Planes
    aperture: Aperture
    seam_contrast: FloatArray
    exposure_s: FloatArray | None
    gap_risk: float | None

    @property
    def pixel_pitch_um(self) -> float:
        """Sensor width over columns."""
        return self.criterion.pixel_pitch_um

    @property
    def edge_loss(self) -> float | None:
        """Share of the width lost when all frames are scaled alike."""
        focus_um = self.planes.focus_um
        return edge_loss(
            self.imaging,
            moves=self.request.moves,  # type: ignore[arg-type]  # the request's own check
            first_focus_mm=float(focus_um[0]) / 1000,
            last_focus_mm=float(focus_um[-1]) / 1000,
        )

    @property
    def field_mm(self) -> tuple[float, float]:
        """Width and height that the front frame sees of the subject."""
        width_mm, height_mm = self.request.camera.sensor_mm
        return width_mm / self.imaging.magnification, height_mm / self.imaging.magnification

    @property
    def finest_detail_um(self) -> float:
        """Finest detail that the front frame resolves on the subject."""
        return float(
            finest_detail_um(
                object_na=self.imaging.object_na,
                magnification=self.imaging.magnification,
                pixel_pitch_um=self.pixel_pitch_um,
                wavelength_nm=self.request.focus.mean_wavelength_nm,
            )
        )

    @property
    def diffraction_detail_um(self) -> float:
        """Finest detail on the subject by diffraction alone, however fine the pixels."""
        return float(
            finest_detail_um(
                object_na=self.imaging.object_na,
                magnification=self.imaging.magnification,
                pixel_pitch_um=0.0,
                wavelength_nm=self.request.focus.mean_wavelength_nm,
            )
        )

    @property
    def diffraction_f_number(self) -> float | None:
        """Marked f-number past which diffraction shows."""
        if self.imaging.f_number is None:
            return None
        return diffraction_f_number(
            f_number=self.imaging.f_number,
            effective_f_number=self.imaging.effective_f_number,
            pixel_pitch_um=self.pixel_pitch_um,
            airy_pixels=self.request.focus.airy_pixels,
            wavelength_nm=self.request.focus.mean_wavelength_nm,
        )


def draft_of(request: Request) -> Draft:
    """Compute everything that needs no clock and no file.

    Raises
    ------
    Refusal
        If the stack cannot or must not be shot like this; ``key`` tells which value decides it.
    """
    imaging = imaging_of(request)
    criterion = Criterion.of(request, imaging)
    focusing = Focusing(request=request, imaging=imaging, criterion=criterion)
    _refuse_endless(criterion)
    rail = RailUse.of(request)
    planes = focusing.planes(
        microstep_um=rail.microstep_um if rail else None, lead_error=rail.lead_error if rail else 0.0
    )
    refuse_collision(request, imaging, planes, rail)
    refuse_outside_limits(request, planes, rail)
    aperture = focusing.aperture_at(planes.focus_um)
    # a gap is a seam below the share kept, also where a seam contrast defines the slices
    kept_um = _per_plane(criterion.depth_by_model_um(request.focus.model, aperture), planes)
    return Draft(
        request=request,
        imaging=imaging,
        criterion=criterion,
        rail=rail,
        planes=planes,
        aperture=aperture,
        seam_contrast=_seams(criterion, planes, aperture),
        exposure_s=_exposures(request, imaging, aperture),
        gap_risk=_gap_risk(request, imaging, rail, planes, aperture, kept_um),
    )


def _refuse_endless(criterion: Criterion) -> None:
    slice_um = float(criterion.slice_um(Aperture.of(criterion.imaging)))
    if not math.isfinite(slice_um):
        raise Refusal(
            f"by the model {criterion.focus.model} everything to infinity is sharp with a circle of "
            f"{criterion.circle_um:.3g} um; use the model contrast, or a smaller circle",
            key="focus.model",
        )


def _per_plane(value: FloatArray, planes: Planes) -> FloatArray:
    return np.broadcast_to(value, planes.focus_um.shape)


def _seams(criterion: Criterion, planes: Planes, aperture: Aperture) -> FloatArray:
    """At each seam the worse of its two sides: with a moving rear standard the two frames differ."""
    if planes.frame_count < 2:
        return np.empty(0)
    sides = []
    for part in (slice(None, -1), slice(1, None)):
        side = Aperture(
            magnification=aperture.magnification[part],
            effective_f_number=aperture.effective_f_number[part],
            object_na=aperture.object_na[part],
        )
        sides.append(_distinct(criterion, planes.step_um, side))
    worst: FloatArray = np.minimum(*sides)
    return worst


def _distinct(criterion: Criterion, step_um: FloatArray, side: Aperture) -> FloatArray:
    """Seam contrast once for each distinct pair of step and aperture: most stacks have very few."""
    pairs = np.round(step_um, 9) + 1j * np.round(side.effective_f_number, 9)  # numpy sorts complex numbers as pairs
    _, first, where = np.unique(pairs, return_index=True, return_inverse=True)
    few = Aperture(
        magnification=side.magnification[first],
        effective_f_number=side.effective_f_number[first],
        object_na=side.object_na[first],
    )
    return criterion.seam_contrast(step_um[first], few)[where]


def _exposures(request: Request, imaging: Imaging, aperture: Aperture) -> FloatArray | None:
    """Shutter times: a flash stays as it is, continuous light follows the effective f-number of a moving rear."""
    if request.light is None:
        return None
    ratio = aperture.effective_f_number / imaging.effective_f_number
    exposure_s = np.full_like(ratio, request.light.exposure_s)
    return exposure_s * ratio**2 if request.light.kind == "continuous" and request.moves == "rear" else exposure_s


def _gap_risk(
    request: Request, imaging: Imaging, rail: RailUse | None, planes: Planes, aperture: Aperture, kept_um: FloatArray
) -> float | None:
    if rail is None or rail.repeatability_um is None:
        return None
    # The rail carries the sensor: an error of its position is that over m^2 on the subject, m before any converter.
    scale = (aperture.magnification / imaging.converter) ** 2 if request.moves == "rear" else 1.0
    return gap_risk(
        focus_um=planes.focus_um,
        dof_um=kept_um,
        depth_um=request.subject.depth_mm * 1000,
        repeatability_um=rail.repeatability_um / scale,
        periodic_error_um=(rail.profile.periodic_error_um or 0.0) / scale,
        screw_turns=planes.rail_um / rail.screw_turn_um,
    )


# ------------------------------------------------------------------------------------------------------- the plan


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
    order = slice(None) if request.order == "front_to_back" else slice(None, None, -1)
    timeline = timeline_of(draft.request, draft.rail, draft.planes.position_microsteps[order], draft.exposure_s)
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
        coverage=_coverage(draft, order),
        motion=_motion(draft, order),
        budget=_rounded(budget_of(request, draft.planes.frame_count, timeline)),
        advice=advice_of(draft),
        warnings=warnings_of(draft),
        frames=_frames(draft, order, timeline.start_s if timeline else None),
    )


def six(value: float | None) -> float | None:
    """A number to six significant digits, without a negative zero; infinity is not known."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}") + 0.0


def _rounded(block: Any) -> Any:
    return replace(
        block,
        **{name: six(value) for name in block.__dataclass_fields__ if isinstance(value := getattr(block, name), float)},
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
        working_distance_mm=imaging.working_distance_mm,
        entrance_pupil_mm=imaging.entrance_pupil_mm,
        airy_um=float(airy_um),
        finest_detail_um=draft.finest_detail_um,
        diffraction_f_number=draft.diffraction_f_number,
    )
    rounded: Optics = _rounded(optics)
    return rounded


def _six(value: float) -> float:
    rounded = six(value)
    assert rounded is not None
    return rounded


def _depth_of_field(draft: Draft) -> DepthOfField:
    criterion, front = draft.criterion, Aperture.of(draft.imaging)
    by_model = {
        f"{model}_um": six(float(criterion.depth_by_model_um(model, front)))
        for model in ("contrast", "quarter_wave", "blur_circle", "sum")
    }
    return DepthOfField(
        model=draft.request.focus.model,
        total_um=_six(float(criterion.slice_um(front))),
        target_lp_mm=_six(criterion.target_lp_mm),
        compared=Compared(**by_model),  # type: ignore[arg-type]
    )


def _coverage(draft: Draft, order: slice) -> Coverage:
    planes = draft.planes
    several = planes.frame_count > 1
    focus_um = planes.focus_um[order]
    moves: Any = draft.request.moves
    shallow = edge_reference(moves) == "nearest"
    first_is_reference = shallow == (draft.request.order == "front_to_back")
    coverage = Coverage(
        frame_count=planes.frame_count,
        step_um=float(planes.step_um.max()) if several else None,
        overlap=float(planes.overlap.min()) if several else None,
        seam_contrast=float(draft.seam_contrast.min()) if several else None,
        gap_risk=draft.gap_risk,
        edge_loss=draft.edge_loss,
        edge_reference_frame=1 if first_is_reference else planes.frame_count,
        first_focus_um=float(focus_um[0]),
        last_focus_um=float(focus_um[-1]),
    )
    rounded: Coverage = _rounded(coverage)
    return rounded


def _motion(draft: Draft, order: slice) -> Motion:
    planes, rail = draft.planes, draft.rail
    motion = Motion(
        microstep_um=rail.microstep_um if rail else None,
        step_microsteps=int(planes.step_microsteps.max()) if rail and planes.frame_count > 1 else None,
        take_up_microsteps=rail.take_up_microsteps if rail else None,
        travel_mm=float(planes.rail_um[-1] - planes.rail_um[0]) / 1000,
        start_microsteps=int(planes.position_microsteps[order][0]) if rail else None,
    )
    rounded: Motion = _rounded(motion)
    return rounded


def _frames(draft: Draft, order: slice, start_s: FloatArray | None) -> Frames:
    planes, count = draft.planes, draft.planes.frame_count
    positions = planes.position_microsteps[order]
    overlap: list[float | None] = [None, *_decimals("overlap", planes.overlap[order])]
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
