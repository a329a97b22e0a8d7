"""Depth of field: four models of the range around the plane of focus that counts as sharp.

All depths are totals on the subject, near to far, in um. Effective f-number, numerical aperture and magnification may
be arrays, one value a frame. `target_lp_mm` is the target frequency on the sensor (`contrast.target_frequency_lp_mm`);
shares are held where `contrast.held_frequency_lp_mm` says.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stacker.optics.beam import Beam
from stacker.optics.contrast import displacement_for_share_um, held_frequency_lp_mm, share_kept
from stacker.optics.otf import FloatArray, floats


def contrast_depth_um(kept_contrast: float, *, target_lp_mm: ArrayLike, beam: Beam) -> FloatArray:
    """Return the range in which all detail up to the target keeps `kept_contrast` of its in-focus contrast.

    Parameters
    ----------
    kept_contrast : float
        Share, between 0 and 1, neither included.
    target_lp_mm : array_like
        See the module.
    beam : Beam
        Of the rig.

    Returns
    -------
    ndarray
        In um. Also the largest step whose seam keeps that share: the seam lies half a step from both planes.
    """
    held_lp_mm = held_frequency_lp_mm(target_lp_mm, beam)
    return 2 * displacement_for_share_um(kept_contrast, frequency_lp_mm=held_lp_mm, beam=beam)


def seam_contrast_at(step_um: ArrayLike, *, target_lp_mm: ArrayLike, beam: Beam) -> FloatArray:
    """Return the share of in-focus contrast that is left half a step from focus, signed.

    Parameters
    ----------
    step_um : array_like
        Distance between two planes of focus.
    target_lp_mm, beam
        As for `contrast_depth_um`, whose inverse this is.

    Returns
    -------
    ndarray
        Negative where detail is reversed.
    """
    return share_kept(floats(step_um) / 2, frequency_lp_mm=held_frequency_lp_mm(target_lp_mm, beam), beam=beam)


def quarter_wave_depth_um(*, object_na: ArrayLike, wavelength_nm: float, index: float = 1.0) -> FloatArray:
    """Return Rayleigh's n lam/NA^2: between the two points a quarter wave from focus, for a small aperture."""
    return index * wavelength_nm * 1e-3 / np.square(floats(object_na))


def blur_circle_depth_um(
    *,
    effective_f_number: ArrayLike,
    magnification: ArrayLike,
    circle_um: float,
    entrance_pupil_diameter_mm: float | None = None,
) -> FloatArray:
    """Return the range in which a point blurs, by geometry alone, to at most a circle on the sensor.

    Parameters
    ----------
    effective_f_number, magnification : array_like
        Of the whole rig.
    circle_um : float
        Circle of confusion on the sensor.
    entrance_pupil_diameter_mm : float or None
        None takes the cone of light as a cylinder, good near life size.

    Returns
    -------
    ndarray
        2 N_e c/(m^2 - (c/D)^2), in um; infinite where everything behind the plane of focus is sharp enough.
    """
    m = floats(magnification)
    n_e = floats(effective_f_number)
    slope = 0.0 if entrance_pupil_diameter_mm is None else circle_um * 1e-3 / entrance_pupil_diameter_mm
    squares = np.square(m) - slope**2
    bounded = squares > 0
    return np.where(bounded, 2 * n_e * circle_um / np.where(bounded, squares, 1.0), np.inf)


def sum_depth_um(
    *,
    object_na: ArrayLike,
    magnification: ArrayLike,
    circle_um: float,
    wavelength_nm: float,
    index: float = 1.0,
) -> FloatArray:
    """Return the microscopist's sum n lam/NA^2 + n c/(m NA), c the circle (or detector element) on the sensor."""
    na, m = floats(object_na), floats(magnification)
    return quarter_wave_depth_um(object_na=na, wavelength_nm=wavelength_nm, index=index) + index * circle_um / (m * na)
