"""A row of equal lines in a picture, as phases: what frequencies it may have, where they lie by period.

Coordinates are pixels from the centre of the picture, x along the rows and y down. A line coordinate counts lines: it
rises by 1 from one line to the next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FINEST_PX = 8.0
"""Lines nearer to each other than this are not measured: colour sites and sharpening shift them."""
FEWEST_LINES = 15
"""With five lines a harmonic has been taken for the spacing; fifteen leave no doubt (from trials)."""

_STRIPS = 160  # 25 rows of 24 megapixels: at 8 degrees a line wanders 3.5 pixels in them
_FEWEST_ROWS = 4
_LOOKED_AT = 80  # strips whose spectra are added up to find frequencies
_SAMPLES = 24  # of a period are enough for its first harmonic: columns beyond are averaged first
_CANDIDATES = 8
_ABOVE_NOISE = 12.0  # times the median power round about: once in 200,000 frequencies by chance

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Cells:
    """What each strip of rows holds of one frequency, in windows one period wide.

    Parameters
    ----------
    wave : ndarray of complex, shape (strips, windows)
        Fourier coefficient at the window's centre; its argument over 2 pi is the line coordinate, up to a constant and
        whole lines.
    profile : ndarray of float32, shape (strips, windows, samples)
        Brightness along each window, mean and slope taken off.
    x, y : ndarray, shapes (windows,) and (strips,)
        Centres [px].
    period_px : float
        Width of a window [px].
    every : int
        Periods from one window to the next: more than 1 for a quick look.
    """

    wave: ComplexArray
    profile: NDArray[np.float32]
    x: FloatArray
    y: FloatArray
    period_px: float
    every: int = 1


def strips_of(grey: NDArray[np.number]) -> tuple[FloatArray, FloatArray]:
    """Means over strips of rows with the rows of their centres.

    Returns
    -------
    strips : ndarray, shape (strips, columns)
    y : ndarray, shape (strips,)
        [px from the centre of the picture].
    """
    rows, columns = grey.shape
    each = max(_FEWEST_ROWS, rows // _STRIPS)
    count = rows // each
    whole = grey[: count * each].reshape(count, each, columns)
    if whole.dtype == np.uint8 and each <= 256:  # such sums fit into two bytes: much faster than means of doubles
        means = whole.sum(axis=1, dtype=np.uint16) / each
    else:
        means = whole.mean(axis=1, dtype=np.float64)
    return means, (np.arange(count) + 0.5) * each - rows / 2


def candidate_frequencies(strips: FloatArray) -> list[float]:
    """Frequencies that may be those of a row of lines, finest first.

    Parameters
    ----------
    strips : ndarray, shape (strips, columns)

    Returns
    -------
    list of float
        Cycles a pixel.
    """
    columns = strips.shape[1]
    some = strips[:: max(1, len(strips) // _LOOKED_AT)]
    flat = some - some.mean(axis=1, keepdims=True)
    length = 2 ** math.ceil(math.log2(columns))
    power = (np.abs(np.fft.rfft(flat * np.hanning(columns), length, axis=1)) ** 2).sum(axis=0)
    step = 1 / length
    low, high = 0.8 * FEWEST_LINES / columns, 1 / (0.8 * FINEST_PX)
    inner = np.arange(max(1, math.ceil(low / step)), min(len(power) - 1, math.floor(high / step)))
    peaks = inner[(power[inner] >= power[inner - 1]) & (power[inner] > power[inner + 1])]
    found = []
    for peak in peaks[np.argsort(power[peaks])[::-1]]:
        reach = max(8, peak // 4)
        round_about = float(np.median(power[max(0, peak - reach) : peak + reach]))
        if power[peak] < _ABOVE_NOISE * round_about:
            continue
        left, top, right = np.log(power[peak - 1 : peak + 2])
        offset = (left - right) / (2 * (left - 2 * top + right))  # a parabola through the logarithms: exact for a bell
        found.append((peak + offset) * step)
        if len(found) == _CANDIDATES:
            break
    return sorted(found, reverse=True)


def cells_at(strips: FloatArray, rows: FloatArray, frequency: float, *, every: int = 1) -> Cells:
    """Fourier coefficients in windows of one period each.

    Parameters
    ----------
    strips : ndarray, shape (strips, columns)
    rows : ndarray, shape (strips,)
        Their centres [px].
    frequency : float
        Cycles a pixel.
    every : int
        Take one window of so many.

    Notes
    -----
    Over a whole period every harmonic but the first drops out, and windows that do not overlap have independent noise.
    A slope of brightness, found from the neighbouring windows, is taken off: over one period it does not drop out.
    """
    columns = strips.shape[1]
    each = max(1, int(1 / frequency / _SAMPLES))
    whole = columns // each * each
    cells = _cells(strips[:, :whole].reshape(len(strips), -1, each).mean(axis=2), rows, frequency * each, every)
    # columns that were left out at the right move the middle
    return replace(cells, x=cells.x * each + (whole - columns) / 2, period_px=1 / frequency)


def _cells(strips: FloatArray, rows: FloatArray, frequency: float, every: int) -> Cells:
    columns = strips.shape[1]
    period = 1 / frequency
    samples, windows = math.ceil(period), int((columns - 2) / period)
    start = (columns - windows * period) / 2 - 0.5  # pixel i covers i - 0.5 to i + 0.5
    within = (np.arange(samples) + 0.5) / samples
    number = np.arange(0, windows, every)
    place = start + (number[:, None] + within) * period
    left = np.clip(np.floor(place).astype(np.int64), 0, columns - 2)
    share = place - left
    fine = np.asarray(strips, dtype=np.float32)  # half the memory to move, and far finer than the pixels' steps
    here = np.take(fine, left, axis=1)
    value = here + (np.take(fine, left + 1, axis=1) - here) * share.astype(np.float32)
    slope = np.gradient(value.mean(axis=2), axis=1) / every
    turn = np.exp(-2j * np.pi * (within - 0.5)) / samples
    profile = value - value.mean(axis=2, keepdims=True) - slope[..., None] * (within - 0.5).astype(np.float32)
    x = start + (number + 0.5) * period - (columns - 1) / 2
    # summed here: handed to threads, such thin products cost more in waiting than in sums
    parts = [np.einsum("ijk,k->ij", profile, part.astype(np.float32)) for part in (turn.real, turn.imag)]
    wave = parts[0].astype(np.float64) + 1j * parts[1]
    return Cells(wave=wave, profile=profile, x=x, y=rows, period_px=period, every=every)
