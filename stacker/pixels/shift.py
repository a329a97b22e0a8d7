"""How far one picture of a fine texture lies from another: to whole pixels anywhere, then to a hundredth of one.

The coarse shift is the peak of the phase correlation [1]_; the fine one the slope of the phase of the cross-spectrum,
weighted by its own power [2]_.

References
----------
.. [1] C. D. Kuglin, D. C. Hines, "The phase correlation image alignment method", Proc. IEEE Int. Conf. on Cybernetics
   and Society, 1975, 163-165.
.. [2] H. S. Stone, M. T. Orchard, E.-C. Chang, S. A. Martucci, "A fast direct Fourier-based algorithm for subpixel
   registration of images", IEEE Trans. Geosci. Remote Sensing 39 (2001), 2235-2243.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal

FloatArray: TypeAlias = NDArray[np.float64]

REGISTER = (0.02, 0.3)
"""Cycles a pixel between which shifts are looked for: coarser is the light, finer comes aliased."""

_ROUNDS = 4
_COARSE_PX = 512  # longest side of what whole shifts are looked for in
_AMBIGUOUS = 0.6  # of the peak, elsewhere
_PEAK_PX = 4  # half width of a peak
_FINE = 0.38  # cycles a pixel from which on nothing of a good texture is left


@dataclass(frozen=True, kw_only=True, slots=True)
class Shift:
    """Of one picture against another, at one place.

    Parameters
    ----------
    down_px, across_px : float
        Where in the other picture lies what the first one shows, less where it lies in the first [px].
    alike : float
        Correlation of both after the shift, 1 at most [-].
    fine : float
        Shared power a frequency of detail about as fine as the pixels, over that of what is registered [-].
    """

    down_px: float
    across_px: float
    alike: float
    fine: float


class _Frequencies(NamedTuple):
    """Of a square piece: those in which shifts are looked for, one of each mirrored pair, coarse ones first."""

    window: FloatArray
    place: NDArray[np.int64]  # in the flattened spectrum
    slopes: FloatArray  # (n, 2): turns of the phase a pixel down and across [rad/px]
    rounds: tuple[int, ...]  # how many of them each round uses
    finest: NDArray[np.int64]  # places of what is about as fine as the pixels
    finest_slopes: FloatArray


@lru_cache(maxsize=4)
def _frequencies(size: int) -> _Frequencies:
    window = np.hanning(size + 2)[1:-1]
    nu = np.fft.fftfreq(size).astype(np.float64)
    radius = np.hypot(nu[:, None], nu)
    half = (nu > 0) | ((nu == 0) & (nu[:, None] > 0))

    def among(chosen: NDArray[np.bool_]) -> tuple[NDArray[np.int64], FloatArray]:
        place = np.flatnonzero(chosen & half)
        place = place[np.argsort(radius.ravel()[place], kind="stable")]
        return place, 2 * np.pi * np.stack((nu[place // size], nu[place % size]), axis=1)

    place, slopes = among((radius > REGISTER[0]) & (radius < REGISTER[1]))
    finest, finest_slopes = among((radius > _FINE) & (radius < 0.5))
    limits = np.geomspace(REGISTER[0] * 3, REGISTER[1], _ROUNDS)
    rounds = tuple(int(one) for one in np.searchsorted(radius.ravel()[place], limits))
    return _Frequencies(window[:, None] * window, place, slopes, rounds, finest, finest_slopes)


def slope_of(cross: NDArray[np.complex128]) -> FloatArray:
    """How far one frame lies from the other, down and across [px], from the slope of the phase; coarse detail first.

    Parameters
    ----------
    cross : ndarray, shape (n, n)
        Spectrum of the one times the conjugate of the other's.
    """
    known = _frequencies(len(cross))
    values = cross.ravel()[known.place]
    shift = np.zeros(2)
    for count in known.rounds:
        slopes = known.slopes[:count]
        turned = values[:count] * np.exp(1j * (slopes @ shift))
        # a reversed contrast is a phase of half a turn, not a shift: such frequencies are left out
        weight = np.where(turned.real > 0, np.abs(turned), 0.0)
        normal = slopes.T @ (slopes * weight[:, None]) + 1e-12 * np.eye(2)
        shift = shift - np.linalg.solve(normal, slopes.T @ (weight * np.angle(turned)))
    return shift


def fine_shift(one: FloatArray, other: FloatArray) -> Shift:
    """The shift of two square pieces that lie within some pixels of each other.

    Parameters
    ----------
    one, other : ndarray, shape (n, n)
        Brightness, in any unit.
    """
    known = _frequencies(len(one))
    spectra = [np.fft.fft2((piece / piece.mean() - 1) * known.window) for piece in (one, other)]
    cross = spectra[0] * spectra[1].conj()
    power = [float(np.sum(np.abs(spectrum.ravel()[known.place]) ** 2)) for spectrum in spectra]
    if not min(power) > 0:
        return Shift(down_px=0.0, across_px=0.0, alike=0.0, fine=0.0)
    shift = slope_of(cross)
    turned = cross.ravel()[known.place] * np.exp(1j * (known.slopes @ shift))
    finest = cross.ravel()[known.finest] * np.exp(1j * (known.finest_slopes @ shift))
    return Shift(
        down_px=-float(shift[0]),
        across_px=-float(shift[1]),
        alike=float(turned.real.sum()) / math.sqrt(power[0] * power[1]),
        fine=float(finest.real.mean() / np.abs(turned).mean()),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Coarse:
    """A whole picture in few pixels, as whole shifts are looked for: so many pixels in one, and its spectrum."""

    step: int
    shape: tuple[int, ...]
    spectrum: NDArray[np.complex128]


def coarse(picture: NDArray[np.number]) -> Coarse:
    """Prepare a picture for `whole_shift`."""
    step = max(1, math.ceil(max(picture.shape) / _COARSE_PX))
    small = _reduced(picture, step)
    rows, columns = small.shape
    return Coarse(step=step, shape=small.shape, spectrum=np.fft.rfft2(small, (2 * rows, 2 * columns)))


def whole_shift(one: Coarse, other: Coarse) -> tuple[int, int]:
    """The shift of two whole pictures of one size, down and across, to a few pixels; up to half of the picture.

    Raises
    ------
    Refusal
        ``no_shift`` when none stands out: they have nothing in common, or a pattern that repeats itself.
    """
    step, (rows, columns) = one.step, one.shape
    shape = (2 * rows, 2 * columns)
    nu = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1]))
    cross = np.where((nu > REGISTER[0]) & (nu < REGISTER[1]), other.spectrum * one.spectrum.conj(), 0)
    phases = np.fft.irfft2(cross / (np.abs(cross) + np.finfo(float).tiny), shape)
    down, across = (int(place) for place in np.unravel_index(int(np.argmax(phases)), shape))
    away_y = np.abs((np.arange(shape[0]) - down + rows) % shape[0] - rows)
    away_x = np.abs((np.arange(shape[1]) - across + columns) % shape[1] - columns)
    elsewhere = (away_y[:, None] > _PEAK_PX) | (away_x > _PEAK_PX)
    powers = np.fft.irfft2(cross, shape)  # a pattern has it in few frequencies, of which phases alone make little
    if not float(powers[elsewhere].max()) < _AMBIGUOUS * float(powers[~elsewhere].max()):
        raise Refusal("no shift stands out", code="no_shift")
    return step * ((down + rows) % shape[0] - rows), step * ((across + columns) % shape[1] - columns)


def _reduced(picture: NDArray[np.number], step: int) -> FloatArray:
    """Means of squares of pixels, less the light's slow changes, with soft borders."""
    rows, columns = (size // step for size in picture.shape)
    cut = picture[: rows * step, : columns * step]
    small: FloatArray = cut.reshape(rows, step, columns, step).mean(axis=(1, 3), dtype=np.float64)
    soft = [np.minimum(1, np.minimum(at := np.arange(size) + 0.5, size - at) / (0.1 * size)) for size in small.shape]
    level: FloatArray = (small - small.mean()) * soft[0][:, None] * soft[1]
    return level
