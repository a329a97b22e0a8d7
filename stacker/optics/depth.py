"""Depth of field: four models of the range around the plane of focus that counts as sharp.

All depths are totals on the subject, near to far, in um. Effective f-number, numerical aperture and magnification may
be arrays, one value a frame. `target_lp_mm` is the target frequency on the sensor (`contrast.target_frequency_lp_mm`);
shares are held where `contrast.held_frequency_lp_mm` says. Results have the broadcast shape of the arrays.

References
----------
.. [1] M. Born and E. Wolf, Principles of Optics, section 8.8: focal depth by a quarter of a wave (from memory). The
   same n lam/NA^2 is eq. (17.2) of Q. Wu, F. A. Merchant and K. R. Castleman, Microscope Image Processing, 2008.
.. [2] S. F. Ray, Applied Photographic Optics, 3rd ed., 2002, ch. 22 (from memory; the form with the pupil's diameter
   is derived).
.. [3] S. Inoue and K. R. Spring, Video Microscopy, 2nd ed., 1997: wave-optical and geometric depth added (from
   memory).
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
        Share, between 0 and 1, neither included [-].
    target_lp_mm : array_like
        Target frequency on the sensor [lp/mm].
    beam : Beam
        Of the rig.

    Returns
    -------
    ndarray
        Also the largest step whose seam keeps that share: the seam lies half a step from both planes [um].
    """
    held_lp_mm = held_frequency_lp_mm(target_lp_mm, beam)
    return 2 * displacement_for_share_um(kept_contrast, frequency_lp_mm=held_lp_mm, beam=beam)


def seam_contrast_at(step_um: ArrayLike, *, target_lp_mm: ArrayLike, beam: Beam) -> FloatArray:
    """Return the share of in-focus contrast that is left half a step from focus, signed.

    Parameters
    ----------
    step_um : array_like
        Distance between two planes of focus [um].
    target_lp_mm : array_like
        Target frequency on the sensor [lp/mm].
    beam : Beam
        Of the rig.

    Returns
    -------
    ndarray
        `contrast_depth_um` inverted; negative where detail is reversed [-].
    """
    return share_kept(floats(step_um) / 2, frequency_lp_mm=held_frequency_lp_mm(target_lp_mm, beam), beam=beam)


def quarter_wave_depth_um(*, object_na: ArrayLike, wavelength_nm: float, index: float = 1.0) -> FloatArray:
    """Return the range between the two points a quarter wave from focus, for a small aperture.

    Parameters
    ----------
    object_na : array_like
        Numerical aperture on the subject's side [-].
    wavelength_nm : float
        In air [nm].
    index : float
        Refractive index around the subject [-].

    Returns
    -------
    ndarray
        Rayleigh's n lam/NA^2 [um] [1]_.
    """
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
        Of the whole rig [-].
    circle_um : float
        Circle of confusion on the sensor [um].
    entrance_pupil_diameter_mm : float or None
        None takes the cone of light as a cylinder, good near life size [mm].

    Returns
    -------
    ndarray
        2 N_e c/(m^2 - (c/D)^2); infinite where everything behind the plane of focus is sharp enough [um] [2]_.
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
    """Return the microscopist's sum of what diffraction and the circle of confusion allow.

    Parameters
    ----------
    object_na : array_like
        Numerical aperture on the subject's side [-].
    magnification : array_like
        Of the whole rig [-].
    circle_um : float
        Circle, or detector element, on the sensor [um].
    wavelength_nm : float
        In air [nm].
    index : float
        Refractive index around the subject [-].

    Returns
    -------
    ndarray
        n lam/NA^2 + n c/(m NA) [um] [3]_.
    """
    na, m = floats(object_na), floats(magnification)
    return quarter_wave_depth_um(object_na=na, wavelength_nm=wavelength_nm, index=index) + index * circle_um / (m * na)
