"""What diffraction at the aperture leaves of the detail. Arrays broadcast; lengths carry their unit."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stacker.optics.otf import FloatArray, defocused_otf, falling_root, floats

# Diameter of the Airy disk over lam N_e: 2 j_{1,1}/pi, with j_{1,1} = 3.8317... the first zero of the Bessel
# function J1.
AIRY_DIAMETER = 2.4393397825
# Rayleigh's limit for two points: half that diameter, as every microscopy text rounds it.
RAYLEIGH = 0.61


def airy_diameter_um(*, effective_f_number: ArrayLike, wavelength_nm: float) -> FloatArray:
    """Return the diameter of the Airy disk's first dark ring on the sensor, in um."""
    return AIRY_DIAMETER * wavelength_nm * 1e-3 * floats(effective_f_number)


def finest_detail_um(
    *,
    object_na: ArrayLike,
    magnification: ArrayLike,
    pixel_pitch_um: float,
    wavelength_nm: float,
    lens_falloff_mm2: float = 0.0,
) -> FloatArray:
    """Return the finest detail on the subject, in um, but never under two pixels.

    Parameters
    ----------
    object_na, magnification : array_like
        Of the rig.
    pixel_pitch_um, wavelength_nm : float
        Centre to centre; of the light.
    lens_falloff_mm2 : float
        From `contrast.lens_falloff_mm2`; 0 for a perfect lens.

    Returns
    -------
    ndarray
        Rayleigh's limit for a perfect lens. A real one resolves line pairs as wide as still have the contrast that a
        perfect lens leaves at Rayleigh's limit, 0.09.
    """
    na, m = floats(object_na), floats(magnification)
    rayleigh_um = RAYLEIGH * wavelength_nm * 1e-3 / na
    if lens_falloff_mm2:
        rayleigh_lp_mm = 1000 / (rayleigh_um * m)
        rayleigh_s = 1 / (2 * RAYLEIGH)  # over the cut-off 2 NA/(lam m)

        def above(frequency_lp_mm: FloatArray) -> FloatArray:
            perfect = defocused_otf(rayleigh_s * frequency_lp_mm / rayleigh_lp_mm, 0.0)
            real: FloatArray = perfect * np.exp(-lens_falloff_mm2 * frequency_lp_mm**2)
            return real - defocused_otf(rayleigh_s, 0.0)

        rayleigh_um = 1000 / (falling_root(above, 0.0, rayleigh_lp_mm) * m)
    return np.maximum(rayleigh_um, 2 * pixel_pitch_um / m)


def cutoff_lp_mm(*, effective_f_number: ArrayLike, wavelength_nm: float) -> FloatArray:
    """Return the frequency on the sensor past which no contrast is left, in lp/mm."""
    return 1e6 / (wavelength_nm * floats(effective_f_number))


def diffraction_f_number(
    *, f_number: float, effective_f_number: float, pixel_pitch_um: float, airy_pixels: float, wavelength_nm: float
) -> float:
    """Return the marked f-number past which diffraction shows through this rig.

    Parameters
    ----------
    f_number, effective_f_number : float
        Of the rig at any setting of its ring: effective f-numbers are proportional to marked ones.
    pixel_pitch_um : float
        Centre to centre.
    airy_pixels : float
        Pixels across the Airy disk at which diffraction is taken to show.
    wavelength_nm : float
        Of the light.

    Returns
    -------
    float
        Where the Airy disk is `airy_pixels` pixels wide.
    """
    effective_limit = airy_pixels * pixel_pitch_um / (AIRY_DIAMETER * wavelength_nm * 1e-3)
    return effective_limit * f_number / effective_f_number
