"""What diffraction at the aperture leaves of the detail. Arrays broadcast; lengths carry their unit.

References
----------
.. [1] M. Born and E. Wolf, Principles of Optics, section 8.5.2 (from memory).
"""

from __future__ import annotations

from numpy.typing import ArrayLike

from stacker.optics.otf import FloatArray, floats

# Diameter of the Airy disk over lam N_e: 2 j_{1,1}/pi, with j_{1,1} = 3.8317... the first zero of the Bessel
# function J1.
AIRY_DIAMETER = 2.4393397825


def airy_diameter_um(*, effective_f_number: ArrayLike, wavelength_nm: float) -> FloatArray:
    """Return the diameter of the Airy disk's first dark ring on the sensor.

    Returns
    -------
    ndarray
        2.44 lam N_e [um] [1]_.
    """
    return AIRY_DIAMETER * wavelength_nm * 1e-3 * floats(effective_f_number)


def diffraction_f_number(
    *, f_number: float, effective_f_number: float, pixel_pitch_um: float, airy_pixels: float, wavelength_nm: float
) -> float:
    """Return the marked f-number past which diffraction shows through this rig.

    Parameters
    ----------
    f_number, effective_f_number : float
        Of the rig at any setting of its ring: effective f-numbers are proportional to marked ones [-].
    pixel_pitch_um : float
        Centre to centre [um].
    airy_pixels : float
        Pixels across the Airy disk at which diffraction is taken to show [-].
    wavelength_nm : float
        Of the light [nm].

    Returns
    -------
    float
        Where the Airy disk is `airy_pixels` pixels wide: a rule of the trade, not a law [-].
    """
    effective_limit = airy_pixels * pixel_pitch_um / (AIRY_DIAMETER * wavelength_nm * 1e-3)
    return effective_limit * f_number / effective_f_number
