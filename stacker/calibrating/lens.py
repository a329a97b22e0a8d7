"""What is told of a lens and what is found, from frames through focus of something flat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.focus_curve import Curve, FloatArray, FocusCurve, IntArray, Shape
from stacker.calibrating.through_focus import ThroughFocus
from stacker.errors import Refusal
from stacker.optics.beam import Beam
from stacker.optics.contrast import held_frequency_lp_mm
from stacker.optics.depth import contrast_depth_um
from stacker.optics.spectrum import Spectrum

FEWEST_FRAMES = 7
KEEPS = 0.4
"""Share of contrast below which a frame says little of where focus is."""

_SHARE = 0.8
_WAVES_ERROR = 0.03  # what is left in rendered runs without scatter (by rendering)
_SEAM = 0.9  # share at which slices are compared: about what the seams of plans keep
_CLOSEST = 5  # frames at least in which a tile keeps some contrast


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What is known of a rig before it is measured.

    Parameters
    ----------
    magnification, effective_f_number : float
        The f-number as the request has it: where the search begins.
    pixel_pitch_um : float
    spectrum : Spectrum
    index : float
    target_lp_mm : float
        Finest detail that the system would resolve with a perfect lens [line pairs a mm].
    planned_lp_mm : float
        Finest detail that it resolves by the request, for which a plan lays its slices [line pairs a mm].
    resolved_contrast : float
        Contrast of that detail in focus.
    """

    magnification: float
    effective_f_number: float
    pixel_pitch_um: float
    spectrum: Spectrum
    index: float
    target_lp_mm: float
    planned_lp_mm: float
    resolved_contrast: float

    @property
    def target_per_px(self) -> float:
        """The same in cycles a pixel."""
        return self.target_lp_mm * self.pixel_pitch_um / 1000

    def in_focus(self, per_px: float, shape: Shape) -> float:
        """Contrast of lens and pixel in focus, at some frequency [cycles a pixel]."""
        return self._through_focus(per_px, shape).greatest * float(np.sinc(per_px))

    def curve(self, per_px: float, reference_per_px: float | None = None) -> Curve:
        """Contrast kept out of focus at one frequency, out of the focus of the same or another [cycles a pixel]."""
        reference = per_px if reference_per_px is None else reference_per_px

        def shares(displacement_um: FloatArray, shape: Shape) -> FloatArray:
            sharpest_um = self._through_focus(reference, shape).sharpest_um
            return self._through_focus(per_px, shape).share(displacement_um + sharpest_um)

        return shares

    def _through_focus(self, per_px: float, shape: Shape) -> ThroughFocus:
        return ThroughFocus.of(per_px / self.pixel_pitch_um * 1000, self.beam(shape.f_number), shape.waves)

    def beam(self, f_number: float | FloatArray) -> Beam:
        """The cone of light at an effective f-number, or at several."""
        return Beam(
            effective_f_number=f_number,
            object_na=self.magnification / (2 * f_number),
            spectrum=self.spectrum,
            index=self.index,
        )

    def equal_f_number(self, shape: Shape, finest_lp_mm: float | None = None) -> float:
        """The effective f-number with which a plan's slices, made for a perfect lens, are as thick as the real one's.

        The real one's counts at the finest detail that it shows: as measured, or what its aberration leaves of the
        plan's.
        """
        finest_lp_mm = finest_lp_mm or self._resolved_lp_mm(shape)
        trials = shape.f_number * np.geomspace(0.8, 1.25, 21)
        beam = self.beam(shape.f_number)
        held_lp_mm = float(held_frequency_lp_mm(finest_lp_mm, beam))
        real_um = ThroughFocus.of(held_lp_mm, beam, shape.waves).width_um(_SEAM)
        perfect_um = contrast_depth_um(_SEAM, target_lp_mm=self.planned_lp_mm, beam=self.beam(trials))
        return float(np.interp(real_um, perfect_um, trials))

    def _resolved_lp_mm(self, shape: Shape) -> float:
        """The plan's finest detail, or a coarser one that an aberration leaves resolved."""
        trials = self.planned_lp_mm * np.linspace(1.0, 0.4, 13)
        contrast = [self.in_focus(trial * self.pixel_pitch_um / 1000, shape) for trial in trials]
        return float(np.interp(self.resolved_contrast, contrast, trials))


@dataclass(frozen=True, kw_only=True, slots=True)
class LensFound:
    """What was measured.

    Parameters
    ----------
    effective_f_number : Estimate
        Of the perfect lens whose slice is as thick, at the finest detail that counts.
    spherical_waves : Estimate
        Size of the spherical aberration W040 that the curves show [waves].
    mtf50_lp_mm : Estimate or None
        Where contrast in focus falls to one half, on the sensor [line pairs a mm]; from an edge alone.
    finest_lp_mm : float or None
        Where it falls to what counts as resolved [line pairs a mm]; from an edge alone.
    curvature_um : Estimate or None
        How much deeper the plane of focus lies at the picture's corners than at its centre [um]; from a texture alone.
    tilt_um : (float, float) or None
        How much deeper the target lies at the right than at the left edge, and at the lower than at the upper [um].
    focus_um : float
        Position with the centre in focus [um].
    per_px : float
        Frequency of the through-focus curve [cycles a pixel].
    positions_um, kept : ndarray, shape (frames,)
        Positions and the share of contrast measured there.
    place_um, shares : ndarray
        The fitted curve.
    misfit : float
        What the curve leaves of the products, rms, as a share of those in focus.
    tiles : int
    curve : FocusCurve
        What was fitted.
    """

    effective_f_number: Estimate
    spherical_waves: Estimate
    mtf50_lp_mm: Estimate | None
    finest_lp_mm: float | None
    curvature_um: Estimate | None
    tilt_um: tuple[float, float] | None
    focus_um: float
    per_px: float
    positions_um: FloatArray
    kept: FloatArray
    place_um: FloatArray
    shares: FloatArray
    misfit: float
    tiles: int
    curve: FocusCurve


def refuse_few(positions_um: FloatArray) -> None:
    """Refuse what is no row of frames through focus."""
    if len(positions_um) < FEWEST_FRAMES:
        raise Refusal(
            f"found {len(positions_um)} frames; take at least {FEWEST_FRAMES}, better 13, in steps of a quarter of a "
            "slice through focus",
            code="few_frames",
        )


def refuse_run(curve: FocusCurve, positions_um: FloatArray, told: Told, per_px: float) -> None:
    """Refuse a run that does not hold the rise and the fall of contrast in steps fine enough."""
    inner = np.sort(positions_um)
    inside = np.mean((curve.focus_um > inner[1]) & (curve.focus_um < inner[-2]))
    if inside < 0.7:
        raise Refusal(
            f"only {inside:.0%} of the picture is sharpest inside of the run: start farther out, so that contrast "
            "rises and falls",
            code="focus_outside",
        )
    away = positions_um[None, :] - curve.focus_um[:, None]
    sharp = np.count_nonzero(told.curve(per_px)(away, curve.shape) > KEEPS, axis=1)
    if np.median(sharp) < _CLOSEST:
        raise Refusal(
            f"only {np.median(sharp):.0f} frames hold contrast at one place; take steps of a quarter of a slice or "
            "less",
            code="coarse_steps",
        )


def width_um(told: Told, f_number: float, per_px: float) -> float:
    """Thickness of the depth that keeps `_SHARE` at a frequency."""
    return float(contrast_depth_um(_SHARE, target_lp_mm=per_px / told.pixel_pitch_um * 1000, beam=told.beam(f_number)))


def f_number_of(curve: FocusCurve, told: Told, finest_lp_mm: float | None = None) -> Estimate:
    """The effective f-number of the perfect lens whose slice is as thick, with its uncertainty."""
    value = told.equal_f_number(curve.shape, finest_lp_mm)
    scatter = curve.error_of(lambda shape: told.equal_f_number(shape, finest_lp_mm))
    return Estimate(
        value=value,
        standard_error=math.hypot(scatter, curve.model_error * value),
        freedom=curve.freedom,
    )


def lens_found(
    curve: FocusCurve,
    products: FloatArray,
    pairs: IntArray,
    positions_um: FloatArray,
    told: Told,
    per_px: float,
    *,
    contrast: tuple[Estimate, float] | None,
    field: tuple[float, Estimate, tuple[float, float]] | None,
) -> LensFound:
    """What was fitted, with the curve of the tile of middling depth for a drawing."""
    middle = int(np.argmin(np.abs(curve.focus_um - np.median(curve.focus_um))))
    shares = told.curve(per_px)(positions_um - curve.focus_um[middle], curve.shape)
    place_um = np.linspace(positions_um.min(), positions_um.max(), 200)
    mtf50, finest_lp_mm = contrast or (None, None)
    return LensFound(
        effective_f_number=f_number_of(curve, told, finest_lp_mm),
        spherical_waves=Estimate(
            value=abs(curve.shape.waves),
            standard_error=math.hypot(_WAVES_ERROR, curve.error_of(lambda shape: shape.waves)),
            freedom=curve.freedom,
        ),
        mtf50_lp_mm=mtf50,
        finest_lp_mm=finest_lp_mm,
        curvature_um=None if field is None else field[1],
        tilt_um=None if field is None else field[2],
        focus_um=float(curve.focus_um[middle]) if field is None else field[0],
        per_px=per_px,
        positions_um=positions_um,
        kept=_measured_shares(products[middle] / curve.power[middle], pairs, shares),
        place_um=place_um,
        shares=told.curve(per_px)(place_um - curve.focus_um[middle], curve.shape),
        misfit=float(np.median(curve.misfit)),
        tiles=len(products),
        curve=curve,
    )


def _measured_shares(products: FloatArray, pairs: IntArray, shares: FloatArray) -> FloatArray:
    """Share of each frame: from its products with the frames that keep most, by least squares; NaN where none do."""
    found = np.full(len(shares), np.nan)
    for frame in range(len(shares)):
        own = (pairs[:, 0] == frame) & (pairs[:, 1] == frame)
        if own.any():
            found[frame] = np.sqrt(max(0.0, products[own][0]))
            continue
        mine = np.any(pairs == frame, axis=1)
        other = shares[np.where(pairs[mine, 0] == frame, pairs[mine, 1], pairs[mine, 0])]
        use = other > KEEPS
        if use.any():
            found[frame] = float(products[mine][use] @ other[use] / (other[use] @ other[use]))
    return found
