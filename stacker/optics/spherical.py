"""Contrast of a lens with spherical aberration, in focus and out of it.

Notes
-----
Of a round pupil with the wavefront W20 rho^2 + W040 rho^4 the OTF at the relative frequency s is the mean of

    cos(2 pi (4 x s W20 + 8 x s (x^2 + y^2 + s^2) W040))

over where two pupils 2 s apart overlap, times the share of their area that does [1]_.
Both parts are even across both axes, so a quarter of the overlap is enough; the phases are a few waves wherever
contrast is left, so few nodes are.

References
----------
.. [1] H. H. Hopkins, The frequency response of a defocused optical system, Proc. R. Soc. A 231, 91-103 (1955) (from
   memory).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import leggauss

from stacker.optics.otf import FloatArray

_NODES, _WEIGHTS = leggauss(16)  # each way: the OTF is then right to 1e-6 where contrast is left (tests compare)
_GAUSS = (_NODES + 1) / 2, _WEIGHTS / 2


def spherical_otf(s: float, w20_waves: FloatArray, w040_waves: float) -> FloatArray:
    """Return the OTF at one relative frequency and many defocuses.

    Parameters
    ----------
    s : float
        Frequency over cut-off, above 0 and below 1 [-].
    w20_waves : ndarray
        Defocus at the edge of the pupil [waves], signed.
    w040_waves : float
        Spherical aberration there [waves], signed.

    Returns
    -------
    ndarray
        Signed; largest near W20 = -W040 [-] [1]_.
    """
    x, rest, weight = _overlap(s)
    aberration = 16 * math.pi * s * w040_waves * x * rest
    phase = np.multiply.outer(np.asarray(w20_waves, dtype=np.float64), 8 * math.pi * s * x) + aberration
    otf: FloatArray = np.cos(phase) @ weight
    return otf


@lru_cache(maxsize=512)
def _overlap(s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes in a quarter of the overlap: x, x^2 + y^2 + s^2, and weights that sum to the OTF in focus."""
    nodes, weights = _GAUSS
    angle = math.acos(s) * nodes  # y = sin(angle): no root at the tip of the overlap
    y, dy = np.sin(angle), math.acos(s) * np.cos(angle) * weights
    width = np.cos(angle) - s
    x = width[:, None] * nodes
    weight = 4 / math.pi * (dy * width)[:, None] * weights
    return x.ravel(), (x**2 + y[:, None] ** 2 + s**2).ravel(), weight.ravel()
