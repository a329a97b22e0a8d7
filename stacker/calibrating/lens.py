"""What is told of a lens and what is found, from frames through focus of something flat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.focus_curve import FloatArray, FocusCurve, IntArray
from stacker.errors import Refusal
from stacker.optics.beam import Beam
from stacker.optics.contrast import in_focus_contrast, share_kept
from stacker.optics.depth import contrast_depth_um
from stacker.optics.spectrum import Spectrum

FEWEST_FRAMES = 7
KEEPS = 0.4
"""Share of contrast below which a frame says little of where focus is."""

_SHARE = 0.8
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
        Finest detail that the system resolves by the request [line pairs a mm].
    """

    magnification: float
    effective_f_number: float
    pixel_pitch_um: float
    spectrum: Spectrum
    index: float
    target_lp_mm: float

    @property
    def target_per_px(self) -> float:
        """The same in cycles a pixel."""
        return self.target_lp_mm * self.pixel_pitch_um / 1000

    def in_focus(self, per_px: float) -> float:
        """Contrast in focus of lens and pixel, at some frequency [cycles a pixel]."""
        return float(
            in_focus_contrast(
                per_px / self.pixel_pitch_um * 1000,
                effective_f_number=self.effective_f_number,
                pixel_pitch_um=self.pixel_pitch_um,
                spectrum=self.spectrum,
            )
        )

    def share(self, displacement_um: FloatArray, f_number: float, per_px: float) -> FloatArray:
        """Contrast kept at displacements, at some frequency [cycles a pixel]; 0 where a lens shows no such detail."""
        nu = per_px / self.pixel_pitch_um * 1000
        if nu * f_number * max(self.spectrum.wavelengths_nm) >= 0.98e6:
            return np.zeros_like(displacement_um)
        beam = Beam(
            effective_f_number=f_number,
            object_na=self.magnification / (2 * f_number),
            spectrum=self.spectrum,
            index=self.index,
        )
        return share_kept(displacement_um, frequency_lp_mm=nu, beam=beam)


@dataclass(frozen=True, kw_only=True, slots=True)
class LensFound:
    """What was measured.

    Parameters
    ----------
    effective_f_number : Estimate
        Of the perfect lens whose slice is as thick.
    mtf50_lp_mm : Estimate or None
        Where contrast in focus falls to one half, on the sensor [line pairs a mm]; from an edge alone.
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
    """

    effective_f_number: Estimate
    mtf50_lp_mm: Estimate | None
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
    sharp = np.count_nonzero(told.share(away, curve.effective_f_number.value, per_px) > KEEPS, axis=1)
    if np.median(sharp) < _CLOSEST:
        raise Refusal(
            f"only {np.median(sharp):.0f} frames hold contrast at one place; take steps of a quarter of a slice or "
            "less",
            code="coarse_steps",
        )


def width_um(told: Told, f_number: float, per_px: float) -> float:
    """Thickness of the depth that keeps `_SHARE` at a frequency."""
    beam = Beam(
        effective_f_number=f_number,
        object_na=told.magnification / (2 * f_number),
        spectrum=told.spectrum,
        index=told.index,
    )
    return float(contrast_depth_um(_SHARE, target_lp_mm=per_px / told.pixel_pitch_um * 1000, beam=beam))


def lens_found(
    curve: FocusCurve,
    products: FloatArray,
    pairs: IntArray,
    positions_um: FloatArray,
    told: Told,
    per_px: float,
    *,
    mtf50: Estimate | None,
    field: tuple[float, Estimate, tuple[float, float]] | None,
) -> LensFound:
    """What was fitted, with the curve of the tile of middling depth for a drawing."""
    middle = int(np.argmin(np.abs(curve.focus_um - np.median(curve.focus_um))))
    f_number = curve.effective_f_number.value
    shares = told.share(positions_um - curve.focus_um[middle], f_number, per_px)
    place_um = np.linspace(positions_um.min(), positions_um.max(), 200)
    return LensFound(
        effective_f_number=curve.effective_f_number,
        mtf50_lp_mm=mtf50,
        curvature_um=None if field is None else field[1],
        tilt_um=None if field is None else field[2],
        focus_um=float(curve.focus_um[middle]) if field is None else field[0],
        per_px=per_px,
        positions_um=positions_um,
        kept=_measured_shares(products[middle] / curve.power[middle], pairs, shares),
        place_um=place_um,
        shares=told.share(place_um - curve.focus_um[middle], f_number, per_px),
        misfit=float(np.median(curve.misfit)),
        tiles=len(products),
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
