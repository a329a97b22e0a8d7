"""The optical transfer function (OTF) of a defocused, aberration-free circular pupil, exactly.

Frequencies are relative: s = nu/nu_c, with the cut-off nu_c = 1/(lam N_e) on the sensor. Defocus is W20 in
waves, the wavefront error at the pupil's edge. The OTF is real here and keeps its sign: negative means that light
and dark are exchanged.

Notes
-----
With kappa = 8 pi W20 s (1 - s), Hopkins's integral [1]_ becomes (derived: substituting x = (1 - s) t)

    OTF = 4/pi (1 - s)^1.5 * integral over t in 0..1 of sqrt(1 - t) sqrt(1 + s + (1 - s) t) cos(kappa t) dt      (1)

and Gauss-Jacobi quadrature for the weight sqrt(1 - t) converges fast, since the rest is smooth.

References
----------
.. [1] H. H. Hopkins, The frequency response of a defocused optical system, Proc. R. Soc. A 231, 91-103 (1955) (from
   memory).
.. [2] M. Dowell and P. Jarratt, A modified regula falsi method for computing the root of an equation, BIT 11, 168-174
   (1971) (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike, NDArray

from stacker.optics.impossible import Impossible

FloatArray: TypeAlias = NDArray[np.float64]

# The first zero of (1) in kappa lies between 3.83 (s towards 0: the first zero of J1) and 4.21 (s towards 1).
FIRST_ZERO_WITHIN_KAPPA = 4.25
# Beyond this nothing is left of the picture (share below 0.001 at mid frequencies), and quadrature gets slow.
MAX_WAVES = 200.0


def floats(values: ArrayLike) -> FloatArray:
    """Return `values` as doubles; a number gives an array without axes."""
    return np.asarray(values, dtype=np.float64)


def defocused_otf(s: ArrayLike, waves: ArrayLike) -> FloatArray:
    """Return the OTF at relative frequency `s` and defocus `waves`.

    Parameters
    ----------
    s : array_like
        Frequency over cut-off; the OTF is 0 at and beyond 1 [-].
    waves : array_like
        W20 over wavelength; only its size matters. Broadcast against `s` [waves].

    Returns
    -------
    ndarray
        Accurate to 1e-12 [-].

    Raises
    ------
    Impossible
        For more than `MAX_WAVES` of defocus.
    """
    s_inside = np.minimum(np.abs(floats(s)), 1.0)
    kappa = 8 * np.pi * np.abs(floats(waves)) * s_inside * (1 - s_inside)
    if np.max(np.abs(waves), initial=0.0) > MAX_WAVES:
        raise Impossible(
            "no_detail_left",
            f"the seam would be {np.max(np.abs(waves)):.0f} waves out of focus, where no detail is left",
        )
    return _otf(s_inside, kappa)


def defocus_for_share(s: ArrayLike, share: float) -> FloatArray:
    """Return the defocus at which contrast has fallen to `share` of its in-focus value.

    Parameters
    ----------
    s : array_like
        Frequency over cut-off, between 0 and 1, neither included [-].
    share : float
        Between 0 and 1, neither included [-].

    Returns
    -------
    ndarray
        The nearest defocus with that share; accurate to 1e-13, relatively [waves].

    Raises
    ------
    ValueError
        Outside these ranges.
    """
    s = floats(s)
    if not (np.all(s > 0) and np.all(s < 1) and 0 < share < 1):
        raise ValueError(f"needs 0 < s < 1 and 0 < share < 1, got s={s}, share={share}")
    series = _kappa_series(share)
    kappa: FloatArray = np.cos(np.arccos(2 * s - 1)[..., None] * np.arange(series.size)) @ series
    return kappa / (8 * np.pi * s * (1 - s))


def falling_root(falling: Callable[[FloatArray], FloatArray], low: ArrayLike, high: ArrayLike) -> FloatArray:
    """Return where a falling function crosses 0 between two ends, elementwise; an end if it does not.

    Parameters
    ----------
    falling : callable
        Takes and gives arrays of one shape.
    low, high : array_like
        The ends, broadcast against each other [any].

    Returns
    -------
    ndarray
        In the unit of the ends [any].

    Notes
    -----
    False position with the Illinois rule [2]_: where one end stays twice, its value counts half, so that it moves too.
    Smooth functions need about eight steps where halving would need fifty.
    """
    lower, upper = np.broadcast_arrays(floats(low), floats(high))
    at_lower, at_upper = falling(lower), falling(upper)
    lower_stayed = np.zeros(lower.shape, dtype=bool)
    upper_stayed = lower_stayed.copy()
    guess: FloatArray = lower
    for _ in range(200):
        before, drop = guess, at_lower - at_upper
        share = np.divide(at_lower, drop, out=np.full(lower.shape, 0.5), where=drop > 0)
        guess = lower + np.clip(share, 0.0, 1.0) * (upper - lower)
        value = falling(guess)
        above = value > 0
        at_lower = np.where(above, value, np.where(lower_stayed, at_lower / 2, at_lower))
        at_upper = np.where(above, np.where(upper_stayed, at_upper / 2, at_upper), value)
        lower, upper = np.where(above, guess, lower), np.where(above, upper, guess)
        lower_stayed, upper_stayed = ~above, above
        if np.all(np.abs(guess - before) <= 4e-16 * np.abs(guess)):
            break
    return guess


@lru_cache(maxsize=64)
def _kappa_series(share: float) -> FloatArray:
    """Chebyshev series in 2s - 1 of the kappa at which `share` is kept: for one share it varies by under 10 %."""
    count = 20
    angles = np.pi * (np.arange(count) + 0.5) / count
    s = (1 + np.cos(angles)) / 2
    in_focus = _otf(s, np.zeros(count))
    kappa = falling_root(lambda k: _otf(s, k) - share * in_focus, np.zeros(count), FIRST_ZERO_WITHIN_KAPPA)
    series = np.cos(np.arange(count)[:, None] * angles) @ kappa * (2 / count)
    series[0] /= 2
    return series


def _otf(s: FloatArray, kappa: FloatArray) -> FloatArray:
    """Equation (1)."""
    nodes, weights = _gauss_jacobi(math.ceil(0.31 * float(np.max(kappa, initial=0.0)) + 10.5))
    s_, kappa_ = s[..., None], kappa[..., None]
    integral: FloatArray = np.sqrt(1 + s_ + (1 - s_) * nodes) * np.cos(kappa_ * nodes) @ weights
    return 4 / np.pi * (1 - s) * np.sqrt(1 - s) * integral


@lru_cache(maxsize=64)
def _gauss_jacobi(count: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights on 0..1 for the weight sqrt(1 - t): t = 1 - u^2 turns it into a Gauss-Legendre rule."""
    u, weights = leggauss(2 * count + 1)
    u, weights = u[count + 1 :], weights[count + 1 :]
    return 1 - u**2, 2 * weights * u**2
