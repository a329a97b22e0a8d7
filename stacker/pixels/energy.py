"""Energy of fine contrast, cell by cell, in three bands: what rises and falls as the plane of focus passes."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float32]

CELL_PX = 16
BANDS = 3
LAGS = ((1, 2), (2, 1), (2, -1), (1, -2))
"""Down and across [px]: four directions of one length, so that all four answer to one frequency."""
FREQUENCIES = tuple(1 / (2 * 5**0.5 * 2**band) for band in range(BANDS))
"""Where each band answers most [cycles a pixel]: 0.22, 0.11, 0.056."""

_STRIP = 64  # rows at a time: a strip and its differences stay in the processor's cache
_EDGE = 2


def energy(grey: NDArray[np.number]) -> FloatArray:
    """Energy of fine contrast in each cell of a picture.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns)
        Linear or developed, of any scale.

    Returns
    -------
    ndarray, shape (BANDS, rows // CELL_PX, columns // CELL_PX)
        Mean square of the second differences in four directions; cells at right and below that are not whole are left
        out.
    """
    mean: FloatArray = directional_energy(grey).mean(axis=1)
    return mean


def directional_energy(grey: NDArray[np.number]) -> FloatArray:
    """`energy` for each direction by itself, shape (BANDS, len(LAGS), rows // CELL_PX, columns // CELL_PX).

    Notes
    -----
    A second difference at lag l passes 2 - 2 cos(2 pi f l): nothing of the level, most at f = 1/(2 l). The coarser
    bands are the same of the picture binned by two and by four.
    """
    rows, columns = grey.shape[0] // CELL_PX, grey.shape[1] // CELL_PX
    out = np.zeros((BANDS, len(LAGS), rows, columns), dtype=np.float32)
    whole = grey[: rows * CELL_PX, : columns * CELL_PX]
    for band in range(BANDS if out.size else 0):
        _fill(out[band], whole, band)
    return out


def _fill(out: FloatArray, grey: NDArray[np.number], band: int) -> None:
    """One band, strip by strip."""
    size, bins = CELL_PX >> band, 1 << band
    height = _STRIP // size * size
    rows = grey.shape[0] // bins
    for top in range(0, rows, height):
        bottom = min(top + height, rows)
        around = slice(max(0, top - _EDGE) * bins, min(rows, bottom + _EDGE) * bins)
        strip = _padded(_binned(grey[around], bins), first=top == 0, last=bottom == rows)
        cells = slice(top // size, bottom // size)
        twice = 2 * strip[_EDGE:-_EDGE, _EDGE:-_EDGE]
        for place, (down, across) in enumerate(LAGS):
            other = _shifted(strip, down, across) + _shifted(strip, -down, -across)
            other -= twice
            lines = other.reshape(-1, size, other.shape[1])
            squares = np.einsum("ijk,ijk->ik", lines, lines)
            out[place, cells] = squares.reshape(len(squares), -1, size).sum(axis=2) / size**2


def _binned(part: NDArray[np.number], bins: int) -> FloatArray:
    """Means over squares of pixels."""
    if bins == 1:
        return part.astype(np.float32)
    down = part[0::bins].astype(np.float32)
    for row in range(1, bins):
        down += part[row::bins].astype(np.float32)
    across: FloatArray = down[:, 0::bins].copy()
    for column in range(1, bins):
        across += down[:, column::bins]
    across /= bins**2
    return across


def _padded(strip: FloatArray, *, first: bool, last: bool) -> FloatArray:
    """The strip with its rim mirrored, where the picture ends."""
    rim = ((_EDGE if first else 0, _EDGE if last else 0), (_EDGE, _EDGE))
    padded: FloatArray = np.pad(strip, rim, mode="reflect")
    return padded


def _shifted(strip: FloatArray, down: int, across: int) -> FloatArray:
    rows, columns = strip.shape
    return strip[_EDGE + down : rows - _EDGE + down, _EDGE + across : columns - _EDGE + across]
