"""How a field's fine energy falls on either side of its plane of focus, by the plan's own optics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stacker.pixels.energy import BANDS, FREQUENCIES

FloatArray = NDArray[np.float64]
Curve = Callable[[FloatArray, float], FloatArray]
"""Share of contrast kept at displacements from focus [um], at a frequency [cycles a pixel]; signed or not."""

_SPREAD = np.array([0.5, 0.75, 1.0, 1.25, 1.5])  # frequencies that a band answers to, over its own
_FARTHEST = 40.0  # steps
_FINE = 0.025


@dataclass(frozen=True, kw_only=True, slots=True)
class BandCurve:
    """Energy over that in focus against displacement, in planned steps.

    Parameters
    ----------
    share, slope : ndarray
        At displacements of 0, 0.025 ... 40 steps.
    reach : float
        Where hardly anything is left (a twenty-fifth) [steps].
    """

    share: FloatArray
    slope: FloatArray
    reach: float

    def at(self, displacement: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Share and its slope at displacements [steps]."""
        place = np.minimum(np.abs(displacement) / _FINE, len(self.share) - 1.001)
        low = place.astype(np.int64)
        part = place - low
        share = self.share[low] * (1 - part) + self.share[low + 1] * part
        slope = self.slope[low] * (1 - part) + self.slope[low + 1] * part
        return share, np.sign(displacement) * slope


@lru_cache(maxsize=8)  # a run that is watched is judged anew at every frame, by the same optics
def band_curves(curve: Curve, step_um: float) -> tuple[BandCurve, ...]:
    """The through-focus curve of each band of `pixels.energy`, for planned steps of some length [um].

    Notes
    -----
    A band's energy is the square of contrast over the frequencies that second differences pass. Detail is taken to
    fall as the inverse of frequency, as that of most things does (common practice, no source); what a subject has
    instead changes the curve's width, which the fit leaves free.
    """
    displacement = np.arange(0, _FARTHEST + _FINE / 2, _FINE)
    passed = (2 - 2 * np.cos(np.pi * _SPREAD)) ** 2 / _SPREAD
    made = []
    for band in range(BANDS):
        shares = [curve(displacement * step_um, FREQUENCIES[band] * one) ** 2 for one in _SPREAD]
        energy = passed @ np.array(shares)
        share = energy / max(float(energy[0]), 1e-30)
        low = share < 0.04
        reach = displacement[np.argmax(low)] if low.any() else _FARTHEST
        made.append(BandCurve(share=share, slope=np.gradient(share, _FINE), reach=float(reach)))
    return tuple(made)
