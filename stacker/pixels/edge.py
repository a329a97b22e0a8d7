"""Contrast against frequency from a slanted edge, on sites that are a part of the pixels: the greens of a mosaic.

The edge is projected along itself into bins finer than a pixel, differentiated and transformed (the slanted-edge method
of ISO 12233; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal

FloatArray: TypeAlias = NDArray[np.float64]
BoolArray: TypeAlias = NDArray[np.bool_]

BINS = 4
"""A pixel is divided into so many along the edge's normal."""
FLATTEST_DEG, STEEPEST_DEG = 1.5, 20.0
"""Less slanted, an edge meets the same places of the pixels row after row; more, it is no longer one of rows."""

_HALF_PX = 64  # of the profile, to each side of the edge
_LEAST_STEP = 6.0  # times the noise of a site
_SATURATED = 0.995
_TOO_ROUGH = 1.0  # pixels that a row's edge may lie off the line, in the median


@dataclass(frozen=True, kw_only=True)
class Edge:
    """A slanted edge.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        [cycles a pixel], along the edge's normal.
    contrast : ndarray, shape (n,)
        Of optics and pixel together, 1 at frequency 0.
    slant_deg : float
        From the nearest rows or columns [degrees].
    """

    frequency: FloatArray
    contrast: FloatArray
    slant_deg: float


def edge_contrast(sites: FloatArray, seen: BoolArray) -> Edge:
    """The contrast that an edge through the middle of an area shows.

    Parameters
    ----------
    sites : ndarray, shape (rows, columns)
        Linear values, 0 at black and 1 at the sensor's limit.
    seen : ndarray of bool, shape (rows, columns)
        Which sites count: in each row every second one.

    Raises
    ------
    Refusal
        When there is no single straight edge, it is burnt out, hardly slanted, or too faint.
    """
    if not _upright(sites, seen):
        sites, seen = sites.T, seen.T
    if np.mean(sites[seen] > _SATURATED) > 0.001:
        raise Refusal("the bright side of the edge is burnt out: expose less", code="saturated")
    slope, offset = _line(sites, seen)
    slant = math.degrees(math.atan(slope))
    if not FLATTEST_DEG < abs(slant) < STEEPEST_DEG:
        raise Refusal(
            f"the edge is slanted by {abs(slant):.1f} degrees; turn it to between {FLATTEST_DEG:g} and "
            f"{STEEPEST_DEG:g}, about 5 is best",
            code="slant",
        )
    rows, columns = np.nonzero(seen)
    away = (columns - slope * rows - offset) * math.cos(math.atan(slope))
    profile = _profile(away, sites[seen])
    spread = np.gradient(profile)
    window = np.hanning(len(spread) + 2)[1:-1]
    line = np.abs(np.fft.rfft(spread * window))
    frequency = np.fft.rfftfreq(len(spread), 1 / BINS).astype(np.float64)
    # a bin averages over its width, and the difference of the bins on both sides spans two
    lost = np.sinc(frequency / BINS) * np.sinc(2 * frequency / BINS)
    keep = frequency <= 1.0
    return Edge(frequency=frequency[keep], contrast=line[keep] / line[0] / lost[keep], slant_deg=abs(slant))


def _upright(sites: FloatArray, seen: BoolArray) -> bool:
    """Whether brightness changes across the columns more than down the rows."""
    filled = np.where(seen, sites, 0.0)
    columns = filled.sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    rows = filled.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    return bool(np.ptp(_smooth(columns)) >= np.ptp(_smooth(rows)))


def _smooth(values: FloatArray) -> FloatArray:
    return np.convolve(values, np.ones(8) / 8, mode="valid")


def _line(sites: FloatArray, seen: BoolArray) -> tuple[float, float]:
    """Columns that the edge moves a row, and its column in row 0, from the centroid of each row's differences."""
    rows, columns = sites.shape
    at = np.arange(columns)
    middle = np.full(rows, np.nan)
    filled = np.stack(
        [np.interp(at, at[mask], row[mask]) if mask.any() else row for row, mask in zip(sites, seen, strict=True)]
    )
    differences = np.diff(filled, axis=1)
    noise = float(np.median(np.abs(differences))) * 1.48
    step = float(np.ptp(_smooth(filled.mean(axis=0))))
    if step < _LEAST_STEP * noise or step < 0.01:
        raise Refusal(
            "no edge stands out: a sharp border of dark and bright through the middle, well lit", code="no_edge"
        )
    sign = np.sign(differences.sum())
    place = at[:-1] + 0.5
    # a start: where each row, smoothed, changes most
    start = np.array([place[np.argmax(sign * np.convolve(row, np.hanning(11), mode="same"))] for row in differences])
    slope, offset = _robust_line(np.arange(rows), start)
    for half in (32, 20, 14):
        for row in range(rows):
            away = place - (slope * row + offset)
            weight = (
                np.where(np.abs(away) < half, np.cos(np.pi * away / (2 * half)) ** 2, 0.0) * differences[row] * sign
            )
            total = weight.sum()
            middle[row] = (weight * place).sum() / total if total > 0 else np.nan
        slope, offset = _robust_line(np.arange(rows), middle)
    rough = float(np.nanmedian(np.abs(middle - slope * np.arange(rows) - offset)))
    if not rough < _TOO_ROUGH:
        raise Refusal(
            f"the edge strays {rough:.1f} pixels from a straight line: take a razor blade, or a print of high "
            "resolution",
            code="rough_edge",
        )
    return slope, offset


def _robust_line(x: FloatArray | NDArray[np.int64], y: FloatArray) -> tuple[float, float]:
    use = np.isfinite(y)
    for _ in range(5):
        slope, offset = np.polyfit(x[use], y[use], 1)
        rest = np.abs(y - slope * x - offset)
        use = np.isfinite(y) & (rest <= 3 * np.median(rest[use]) + 1e-9)
    return float(slope), float(offset)


def _profile(away: FloatArray, values: FloatArray) -> FloatArray:
    """Mean brightness in bins along the edge's normal."""
    number = np.floor((away + _HALF_PX) * BINS).astype(np.int64)
    count = 2 * _HALF_PX * BINS
    inside = (number >= 0) & (number < count)
    filled = np.bincount(number[inside], minlength=count)
    if np.count_nonzero(filled == 0) > 0.02 * count:
        raise Refusal(
            "the edge does not meet all places of the pixels: take a larger area, or slant it a little more",
            code="slant",
        )
    sums = np.bincount(number[inside], weights=values[inside], minlength=count)
    at = np.arange(count)
    some = filled > 0
    profile: FloatArray = np.interp(at, at[some], sums[some] / filled[some])
    return profile
