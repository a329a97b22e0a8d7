"""The spacing of a ruler's lines at the centre of a picture, with distortion taken off, or a refusal.

Three bands across the lines are fitted each for itself: unless they agree there is no answer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal
from stacker.pixels.comb import (
    FEWEST_LINES,
    FINEST_PX,
    FloatArray,
    candidate_frequencies,
    cells_at,
    strips_of,
)
from stacker.pixels.lines import Lines, follow, multiple
from stacker.pixels.ruler_errors import error_of_rows, rotation_error, slope_error

BANDS = 3
MOST_APART = 0.0005
"""Bands whose spacings differ by more, as a share, do not agree: half of what the answer may be off at most."""
MOST_MARGIN = 0.0006
"""An answer less certain than this, as a share and at 95 %, is none: then 0.1 % is more than three standard errors."""
STEEPEST_DEG = 10.0
_QUICK, _MANY_WINDOWS = 3, 200
_UNSEEN = 2.5e-5  # as a share: what is left in rendered pictures that nothing scatters in
_MOST_LEAN = 0.008  # change of scale across the picture; a ruler that leans 3 degrees, a field and a half away


@dataclass(frozen=True, kw_only=True)
class RulerLines:
    """What a photographed ruler shows.

    Parameters
    ----------
    spacing_px : float
        From line to line, at the centre of the picture [px].
    standard_error_px : float
        Its standard error, from how the lines scatter [px].
    freedom : float
        Degrees of freedom behind it.
    rotation_deg : float
        From the picture's nearest side to the ruler [degrees].
    distortion : float
        How much nearer to the centre the corner lies than without distortion, as a share; barrel positive [-].
    lean : float
        Change of scale from one end of the picture to the other [-].
    line_count : int
    apart : float
        Largest difference between the spacings of the three bands, as a share [-].
    alternating : bool
        Whether every second line is longer.
    upright : bool
        Whether the lines run down the picture, so that the ruler lies along its rows.
    place : ndarray, shape (n,)
        Number of each line.
    residual_px : ndarray, shape (3, n)
        How far it lies from where the fit has it, in each band; NaN where it was not seen [px].
    """

    spacing_px: float
    standard_error_px: float
    freedom: float
    rotation_deg: float
    distortion: float
    lean: float
    line_count: int
    apart: float
    alternating: bool
    upright: bool
    place: FloatArray
    residual_px: FloatArray


def measure_ruler(grey: NDArray[np.number]) -> RulerLines:
    """Find the lines of a ruler and their spacing.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns)
        A whole picture, linear or with a tone curve: the places of lines do not depend on it.

    Raises
    ------
    Refusal
        When there are no lines, too few or too fine ones, when they are too oblique, lean, or are irregular, and when
        three bands of them do not agree.
    """
    upright, lines = _best(grey)
    _refuse_few(lines)
    return _fitted(lines, upright=upright, shape=grey.shape if upright else grey.shape[::-1])


def _best(grey: NDArray[np.number]) -> tuple[bool, Lines]:
    """The finest row of lines, and whether they run down the picture."""
    too_fine = False
    along_rows = grey.shape[1] >= grey.shape[0]  # where a ruler mostly lies: what is found there saves the other look
    for upright in (along_rows, not along_rows):
        strips, rows = strips_of(grey if upright else grey.T)
        lines = _finest(strips, rows) if len(rows) > 1 else None
        if lines is None:
            continue
        if math.hypot(*lines.gradient) * FINEST_PX <= 1:
            return upright, _in_thin_strips(grey if upright else grey.T, lines)
        too_fine = True
    if too_fine:
        raise Refusal(
            f"the lines are less than {FINEST_PX:g} pixels apart, where colour sites and sharpening shift them: "
            "photograph a coarser scale",
            code="aliased",
        )
    raise Refusal(
        f"no row of at least {FEWEST_LINES} equal lines was found: fill the length of the picture with the ruler, "
        f"within {STEEPEST_DEG:g} degrees of one side, in focus and evenly lit; a finer scale gives more lines",
        code="no_lines",
    )


def _in_thin_strips(grey: NDArray[np.number], lines: Lines) -> Lines:
    """The same lines in thinner strips of the rows that hold them.

    Where a strip is not much thinner than lines are long, those that their ends reach into pull oblique lines upright.
    """
    held = lines.y[lines.valid.any(axis=1)]
    step = float(lines.y[1] - lines.y[0])
    middle = grey.shape[0] / 2
    top = max(0, math.floor(held.min() - step + middle))
    part = grey[top : math.ceil(held.max() + step + middle)]
    strips, rows = strips_of(part)
    if not len(rows) > 1 or rows[1] - rows[0] >= step:
        return lines
    found = follow(cells_at(strips, rows + top + len(part) / 2 - middle, lines.gradient[0]))
    return found or lines


def _finest(strips: FloatArray, rows: FloatArray) -> Lines | None:
    """The finest row of lines that is no harmonic of a coarser one."""
    candidates = candidate_frequencies(strips)
    while candidates:
        frequency = candidates.pop(0)
        # most candidates are harmonics and what figures make of them: a third of the windows tells that as well
        many = strips.shape[1] * frequency > _MANY_WINDOWS
        if many and follow(cells_at(strips, rows, frequency, every=_QUICK)) is None:
            continue
        cells = cells_at(strips, rows, frequency)
        lines = follow(cells)
        if lines is None:
            continue
        times = multiple(lines, cells)
        if times == 1:
            return lines
        candidates = sorted({*candidates, frequency / times}, reverse=True)
    return None


def _refuse_few(lines: Lines) -> None:
    if lines.count < FEWEST_LINES:
        raise Refusal(
            f"only {lines.count} lines were found, and a multiple of their spacing could be taken for it: photograph "
            f"at least {FEWEST_LINES}, by a scale with finer lines",
            code="few_lines",
        )
    steep = abs(math.degrees(math.atan2(lines.gradient[1], lines.gradient[0])))
    if steep > STEEPEST_DEG:
        raise Refusal(
            f"the ruler lies {steep:.0f} degrees oblique; turn it to within {STEEPEST_DEG:g} degrees of the picture's "
            "side",
            code="oblique",
        )


def _fitted(lines: Lines, *, upright: bool, shape: tuple[int, ...]) -> RulerLines:
    k = float(np.hypot(*lines.gradient))
    corner = math.hypot(*shape) / 2
    numbers, along, residual = _by_line(lines)
    whole = np.nanmean(residual, axis=0)  # a printed line is off in all bands alike: it counts once
    by_slope, freedom, scatter = slope_error(along, whole, lines)
    slopes = [_slope(along, band) for band in residual]
    apart = (max(slopes) - min(slopes)) / k
    rotation = math.atan2(lines.gradient[1], lines.gradient[0])
    between = float(np.std(slopes, ddof=1)) / math.sqrt(BANDS)  # what no scatter of lines shows: pixels, sharpening
    by_line = math.hypot(by_slope, between, math.tan(rotation) * rotation_error(lines, k) * k) / k
    error = math.hypot(by_line, error_of_rows(lines), _UNSEEN)
    lean = 2 * lines.lean * shape[1] / 2
    spacing = 1 / k
    found = RulerLines(
        spacing_px=spacing,
        standard_error_px=spacing * error,
        freedom=freedom,
        rotation_deg=math.degrees(rotation),
        distortion=lines.distortion * corner**2,
        lean=lean,
        line_count=lines.count,
        apart=apart,
        alternating=lines.alternating,
        upright=upright,
        place=numbers - numbers.min() + 1,
        residual_px=residual * spacing,
    )
    _refuse_doubtful(found, scatter)
    return found


def _refuse_doubtful(found: RulerLines, scatter: float) -> None:
    if abs(found.lean) > _MOST_LEAN:
        raise Refusal(
            f"the scale changes by {abs(found.lean):.1%} along the ruler: it leans; lay it square to the axis of the "
            "lens, so that both ends are equally sharp",
            code="leaning",
        )
    if found.apart > MOST_APART:
        raise Refusal(
            f"three bands across the lines give spacings that differ by {found.apart:.2%}: are there two scales in the "
            "picture, or is the ruler bent or partly out of focus? Leave one scale in it, flat and square",
            code="bands_differ",
        )
    margin = 2 * found.standard_error_px / found.spacing_px
    if margin > MOST_MARGIN:
        raise Refusal(
            f"the lines scatter by {scatter:.2f} of their spacing, which leaves it uncertain by {margin:.2%}: a "
            "sharper picture, a better scale, or more lines",
            code="irregular",
        )


def _by_line(lines: Lines) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Number and place of each line, and its residual in each band [lines], shape (bands, n)."""
    strip, window = np.nonzero(lines.valid)
    number = np.rint(lines.model[strip, window]).astype(np.int64)
    above = lines.across[strip, window]
    edges = np.quantile(above, np.arange(1, BANDS) / BANDS)
    band = np.searchsorted(edges, above)
    numbers = np.unique(number)
    at = np.searchsorted(numbers, number)
    count = np.zeros((BANDS, len(numbers)))
    total, along = np.zeros_like(count), np.zeros_like(count)
    np.add.at(count, (band, at), 1)
    np.add.at(total, (band, at), lines.residual[strip, window])
    np.add.at(along, (band, at), lines.along[strip, window])
    with np.errstate(invalid="ignore"):
        residual = total / count
    return numbers.astype(float), along.sum(axis=0) / count.sum(axis=0), residual


def _slope(along: FloatArray, residual: FloatArray) -> float:
    seen = np.isfinite(residual)
    if np.count_nonzero(seen) < FEWEST_LINES:
        return math.nan
    x = along[seen] - along[seen].mean()
    return float(x @ residual[seen] / (x @ x))
