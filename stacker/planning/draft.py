"""A stack computed before anything is rounded for the file: optics, planes of focus, seams, risk."""

from __future__ import annotations

import math
from functools import cached_property
from typing import Any

import numpy as np

from stacker.documents.light import Light
from stacker.documents.request import Request
from stacker.errors import Refusal
from stacker.optics.diffraction import diffraction_f_number
from stacker.optics.imaging import Imaging
from stacker.optics.perspective import edge_loss
from stacker.planning.coverage import Planes
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.focus_grid import FloatArray
from stacker.planning.focusing import Focusing
from stacker.planning.gap_risk import SoftSeams, gap_risk, soft_seams
from stacker.planning.rail_use import RailUse, refuse_collision, refuse_outside_limits
from stacker.planning.remedies import telling_keys
from stacker.planning.rig import imaging_of
from stacker.records import record


@record
class Draft:
    """All that is computed before it is rounded for the file; columns in order of depth.

    ``seam_contrast`` has one value a pair of neighbouring planes; nan across a gap of the subject.
    """

    request: Request
    imaging: Imaging
    criterion: Criterion
    rail: RailUse | None
    planes: Planes
    aperture: Aperture
    seam_contrast: FloatArray
    exposure_s: FloatArray | None

    @property
    def shooting_order(self) -> slice:
        """What puts a column in order of depth into the order in which the frames are shot."""
        return slice(None, None, self.request.direction)

    @property
    def pixel_pitch_um(self) -> float:
        """Sensor width over columns."""
        return self.criterion.pixel_pitch_um

    @property
    def softest_seam(self) -> float | None:
        """The least that a seam keeps; ``None`` for a single frame."""
        return float(self.seam_contrast[self.planes.joined].min()) if self.planes.joined.any() else None

    @property
    def edge_loss(self) -> float | None:
        """Share of the width lost when all frames are scaled alike."""
        focus_um = self.planes.focus_um / self.request.subject.index  # as the lens sees it
        return edge_loss(
            self.imaging,
            moves=self.request.moves,  # type: ignore[arg-type]  # the request's own check
            first_focus_mm=float(focus_um[0]) / 1000,
            last_focus_mm=float(focus_um[-1]) / 1000,
        )

    @cached_property
    def gap_risk(self) -> float | None:
        """Chance that some seam in the subject falls short; ``None`` where the rail's scatter is not known."""
        return None if self.rail is None else self.gap_risk_at(self.rail.profile.scatter_um)

    def gap_risk_at(self, scatter_um: float | None) -> float | None:
        """The same if the rail scattered by so much."""
        return None if self.rail is None or scatter_um is None else gap_risk(**self._stack_on(self.rail, scatter_um))

    @property
    def soft_seams(self) -> SoftSeams | None:
        """How many seams fall short, and how far apart the planes of the worst pair come to lie."""
        if self.rail is None or self.rail.profile.scatter_um is None:
            return None
        return soft_seams(**self._stack_on(self.rail, self.rail.profile.scatter_um))

    @property
    def softest_scattered(self) -> float | None:
        """Contrast that the softest seam keeps, the rail's scatter counted in: half of all runs do worse."""
        soft = self.soft_seams
        if soft is None:
            return None
        pair, step_um = np.array([soft.worst_pair]), np.array([soft.worst_step_um])
        return float(self.criterion.seam_contrast(step_um, self.aperture[pair])[0])

    def _stack_on(self, rail: RailUse, scatter_um: float) -> dict[str, Any]:
        """What `gap_risk` and `soft_seams` ask."""
        # a gap is a seam below the share kept, also where a seam contrast defines the slices
        kept_um = self.criterion.depth_by_model_um(self.request.focus.model, self.aperture)
        # The rail carries the sensor: an error of its position is that over m^2 on the subject, m before any converter.
        rear = self.request.moves == "rear"
        scale = (self.aperture.magnification / self.imaging.converter) ** 2 if rear else 1.0
        scale = scale / self.request.subject.index
        return {
            "focus_um": self.planes.focus_um,
            "dof_um": np.broadcast_to(kept_um, self.planes.focus_um.shape),
            "depth_um": self.request.subject.depth_mm * 1000,
            "repeatability_um": scatter_um / scale,
            "periodic_error_um": (rail.profile.periodic_error_um or 0.0) / scale,
            "screw_turns": self.planes.rail_um / rail.profile.screw_turn_um,
            "joined": self.planes.joined,
        }

    @property
    def field_mm(self) -> tuple[float, float]:
        """Width and height that the front frame sees of the subject."""
        width_mm, height_mm = self.request.camera.sensor_mm
        return width_mm / self.imaging.magnification, height_mm / self.imaging.magnification

    @property
    def finest_detail_um(self) -> float:
        """Finest line pair on the subject that the front frame resolves and the picture needs."""
        return self.detail_at_um(1.0)

    def detail_at_um(self, ratio: float) -> float:
        """The same with the f-number so many times larger, the lens's own blur as it is."""
        return 1000 / (self.criterion.target_at_lp_mm(ratio) * self.imaging.magnification)

    @property
    def diffraction_f_number(self) -> float | None:
        """Marked f-number past which diffraction shows."""
        if self.imaging.f_number is None:
            return None
        return diffraction_f_number(
            f_number=self.imaging.f_number,
            effective_f_number=self.imaging.effective_f_number,
            pixel_pitch_um=max(self.pixel_pitch_um, self.criterion.output_pitch_um or 0.0),
            airy_pixels=self.request.focus.airy_pixels,
            wavelength_nm=self.request.focus.mean_wavelength_nm,
        )


@telling_keys
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
    return Draft(
        request=request,
        imaging=imaging,
        criterion=criterion,
        rail=rail,
        planes=planes,
        aperture=aperture,
        seam_contrast=seams_of(criterion, planes, aperture),
        exposure_s=_exposures(request, imaging, aperture),
    )


def _refuse_endless(criterion: Criterion) -> None:
    slice_um = float(criterion.slice_um(Aperture.of(criterion.imaging)))
    if not math.isfinite(slice_um):
        raise Refusal(
            f"by the model {criterion.focus.model} everything to infinity is sharp with a circle of "
            f"{criterion.circle_um:.3g} um; use the model contrast, or a smaller circle",
            key="focus.model",
        )


def seams_of(criterion: Criterion, planes: Planes, aperture: Aperture) -> FloatArray:
    """At each seam the worse of its two sides: with a moving rear standard the two frames differ. nan at a gap."""
    joined = np.flatnonzero(planes.joined)
    sides = (_distinct(criterion, planes.step_um[joined], aperture[part]) for part in (joined, joined + 1))
    seams = np.full(len(planes.step_um), np.nan)
    seams[joined] = np.minimum(*sides)
    return seams


def _distinct(criterion: Criterion, step_um: FloatArray, side: Aperture) -> FloatArray:
    """Seam contrast once for each distinct pair of step and aperture: most stacks have very few."""
    pairs = np.round(step_um, 9) + 1j * np.round(side.effective_f_number, 9)  # numpy sorts complex numbers as pairs
    _, first, where = np.unique(pairs, return_index=True, return_inverse=True)
    return criterion.seam_contrast(step_um[first], side[first])[where]


def _exposures(request: Request, imaging: Imaging, aperture: Aperture) -> FloatArray | None:
    """Shutter times: a flash stays as it is, continuous light follows the effective f-number of a moving rear."""
    if request.light is None:
        return None
    ratio = aperture.effective_f_number / imaging.effective_f_number
    exposure_s = np.full_like(ratio, front_exposure_s(request.light, imaging))
    return exposure_s * ratio**2 if request.light.kind == "continuous" else exposure_s


def front_exposure_s(light: Light, imaging: Imaging) -> float:
    """Shutter time of the front frame: a lamp metered at another f-number needs the square of the ratio as long."""
    if light.at_f_number is None or imaging.f_number is None:
        return light.exposure_s
    return light.exposure_s * (imaging.f_number / light.at_f_number) ** 2
