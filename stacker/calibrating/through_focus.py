"""One detail's contrast through focus, by a lens with spherical aberration: where it is sharpest, how fast it falls."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stacker.optics.beam import Beam
from stacker.optics.contrast import defocus_um
from stacker.optics.otf import FIRST_ZERO_WITHIN_KAPPA
from stacker.optics.spherical import spherical_otf

FloatArray = NDArray[np.float64]

_LAST_S = 0.98  # of the cut-off: beyond, a lens shows nothing
_SAMPLES = 61
_FINE = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class ThroughFocus:
    """Contrast against defocus.

    Parameters
    ----------
    spline : callable or None
        Contrast at displacements from the focus of the rays near the axis [um]; None of detail past the cut-off.
    low_um, high_um : float
        Beyond no contrast is left [um].
    sharpest_um : float
        Where contrast is greatest [um].
    greatest : float
        Contrast there.
    """

    spline: Any
    low_um: float
    high_um: float
    sharpest_um: float
    greatest: float

    @classmethod
    def of(cls, frequency_lp_mm: float, beam: Beam, waves: float) -> ThroughFocus:
        """Of a frequency on the sensor [line pairs a mm], one beam, and spherical aberration at the mean wavelength."""
        f_number, object_na = (float(np.asarray(one)) for one in (beam.effective_f_number, beam.object_na))
        return _through_focus(float(frequency_lp_mm), f_number, object_na, beam.spectrum, beam.index, waves)

    def share(self, displacement_um: FloatArray) -> FloatArray:
        """Contrast over the greatest."""
        if self.spline is None:
            return np.zeros_like(displacement_um)
        inside = np.clip(displacement_um, self.low_um, self.high_um)
        return np.where(inside == displacement_um, self.spline(inside) / self.greatest, 0.0)

    def width_um(self, share: float) -> float:
        """The depth in which a share of the greatest contrast is kept."""
        if self.spline is None:
            return 0.0
        place_um = np.linspace(self.low_um, self.high_um, _SAMPLES * _FINE)
        kept = self.spline(place_um) / self.greatest
        top = int(np.argmax(kept))
        below = np.flatnonzero(kept < share)
        first = below[below < top][-1] if np.any(below < top) else 0
        last = below[below > top][0] if np.any(below > top) else len(kept) - 1
        low = np.interp(share, kept[first : first + 2], place_um[first : first + 2])
        high = np.interp(share, kept[last - 1 : last + 1][::-1], place_um[last - 1 : last + 1][::-1])
        return float(high - low)


@lru_cache(maxsize=256)
def _through_focus(
    frequency_lp_mm: float, f_number: float, object_na: float, spectrum: Any, index: float, waves: float
) -> ThroughFocus:
    from scipy.interpolate import CubicSpline

    mean_nm = spectrum.mean_nm
    cut = frequency_lp_mm * f_number * 1e-6
    if cut * max(spectrum.wavelengths_nm) >= _LAST_S:
        return ThroughFocus(spline=None, low_um=0.0, high_um=0.0, sharpest_um=0.0, greatest=0.0)
    s = cut * mean_nm
    most = 1.2 * FIRST_ZERO_WITHIN_KAPPA / (8 * math.pi * s * (1 - s))
    edge = np.linspace(-most - max(1.4 * waves, 0.6 * waves), most - min(1.4 * waves, 0.6 * waves), _SAMPLES)
    wave_um = float(defocus_um(waves=1.0, object_na=object_na, wavelength_nm=mean_nm, index=index))
    contrast = np.zeros(_SAMPLES)
    for colour_nm, share in zip(spectrum.wavelengths_nm, spectrum.shares, strict=True):
        ratio = mean_nm / colour_nm
        contrast += share * spherical_otf(cut * colour_nm, edge * ratio, waves * ratio)
    spline = CubicSpline(edge * wave_um, contrast)
    place_um = np.linspace(edge[0], edge[-1], _SAMPLES * _FINE) * wave_um
    fine = spline(place_um)
    top = int(np.clip(np.argmax(fine), 1, len(fine) - 2))
    left, peak, right = fine[top - 1 : top + 2]
    offset = (left - right) / (2 * (left - 2 * peak + right))
    return ThroughFocus(
        spline=spline,
        low_um=float(edge[0] * wave_um),
        high_um=float(edge[-1] * wave_um),
        sharpest_um=float(place_um[top] + offset * (place_um[1] - place_um[0])),
        greatest=float(peak - (left - right) * offset / 4),
    )
