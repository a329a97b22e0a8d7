"""Spherical aberration that the set-up adds to a lens: glass or resin in front of the subject, another tube length.

All values are the third-order coefficient W040, the error of the wave at the edge of the pupil against the focus of
the rays near the axis, in um of path, taken positive. Refocusing takes three quarters of it.

References
----------
.. [1] W. J. Smith, Modern Optical Engineering, the chapter on third-order aberrations of a plane-parallel plate
   (from memory; tests compare with rays through the plate).
.. [2] M. Born and E. Wolf, Principles of Optics, section 4.5: the sine condition and Herschel's (from memory).
"""

from __future__ import annotations

# W040 (rho^4 - rho^2) spans W040/4: what is left when the focus is at its best.
_LEFT_BY_REFOCUSING = 0.25


def plate_w040_um(*, thickness_um: float, index: float, na: float) -> float:
    """Return the aberration of a plane-parallel layer in a cone of light [um].

    Parameters
    ----------
    thickness_um : float
        Of the layer: glass, or the resin between a flat face and the subject [um].
    index : float
        Its refractive index [-].
    na : float
        Numerical aperture outside of it, in air [-].

    Returns
    -------
    float
        t NA^4 (n^2 - 1)/(8 n^3) [um] [1]_.
    """
    return thickness_um * na**4 * (index**2 - 1) / (8 * index**3)


def shifted_w040_um(*, shift_um: float, na: float) -> float:
    """Return the aberration of a lens that is used on a plane other than the one it is corrected for [um].

    Parameters
    ----------
    shift_um : float
        From the plane it is corrected for to the one in focus [um].
    na : float
        Numerical aperture on that side, in air [-].

    Returns
    -------
    float
        d NA^4/8 [um].

    Notes
    -----
    A lens that obeys the sine condition does not obey Herschel's [2]_: a point moved by d along the axis has the path
    d (1 - cos a) more, of which refocusing on the far side takes the part in a^2. In sine: d NA^4/8 is left.
    """
    return abs(shift_um) * na**4 / 8


def sharpest_w040_waves(left_waves: float) -> float:
    """Return the W040 of which, refocused, so many waves are left [waves]."""
    return left_waves / _LEFT_BY_REFOCUSING
