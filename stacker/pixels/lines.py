"""Following a row of lines through the cells of a picture: a plane of phase, bent by distortion and perspective."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.pixels.comb import Cells, FloatArray

PRIOR_LEAN = 0.01
PRIOR_DISTORTION = 0.006
"""How far a scale may change over half a picture by perspective and by distortion: standard deviations of what lenses
and people do (common practice, no source). They matter only where the lines cannot tell."""

_FULL = 0.75  # share of the windows of a strip that hold a line: where only each second one is long it is a half
_WEAK = 0.35  # of the amplitude of a good line
_FAR = 0.15  # of a spacing: farther off it is something else
_OFF_FREQUENCY = 0.05
_STEEPEST = 0.2  # lines that a strip may lie farther on, as a share of its height: 11 degrees
_FEWEST_STRIPS = 3
_MOST_TIMES = 6
_ALIKE = 0.85  # of the likeness of the best neighbour: every fifth line may be half as thick again
_ROUNDS = 6

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Lines:
    """A row of lines that was followed.

    Parameters
    ----------
    gradient : (float, float)
        Of the line coordinate at the centre of the picture, along x and y [lines a pixel].
    distortion, lean : float
        Coefficients: the line coordinate is (gradient . r)(1 + distortion r^2 + lean x) [1/px^2], [1/px].
    priors : (float, float)
        Standard deviations of what is not known beforehand of lean and distortion [1/px], [1/px^2].
    x, y : ndarray, shapes (strips, windows) and (strips,)
        Centres of the cells [px].
    model, residual : ndarray, shape (strips, windows)
        Line coordinate by the fit, and how far the picture is from it [lines].
    along, across : ndarray, shape (strips, windows)
        Place along the ruler and along its lines [px].
    valid : ndarray of bool, shape (strips, windows)
        Cells that hold a line.
    zone : ndarray of bool, shape (strips, windows)
        Cells of the rows, along the ruler, in which nearly every one does.
    alternating : bool
        Whether every second line is longer.
    """

    gradient: tuple[float, float]
    distortion: float
    lean: float
    priors: tuple[float, float]
    x: FloatArray
    y: FloatArray
    model: FloatArray
    residual: FloatArray
    along: FloatArray
    across: FloatArray
    valid: BoolArray
    zone: BoolArray
    alternating: bool

    @property
    def count(self) -> int:
        """How many lines were seen."""
        return len(np.unique(np.rint(self.model[self.valid])))


def follow(cells: Cells) -> Lines | None:
    """Follow the lines of one frequency, or find that it is not theirs.

    Returns
    -------
    Lines or None
        None where no run of strips holds a line in nearly every window: the frequency is a harmonic, a multiple of the
        spacing, or chance.
    """
    loud = np.abs(cells.wave)
    good = loud > _WEAK * np.quantile(loud, 0.9)
    start = _plane(cells)
    half = float(cells.x[-1] - cells.x[0] + cells.period_px) / 2
    x, y = np.meshgrid(cells.x / half, cells.y / half)
    measured = np.angle(cells.wave) / (2 * np.pi) + np.arange(len(cells.x)) * cells.every
    fit = np.array([0.0, (1 + start[0]) * half / cells.period_px, start[1] * half, 0.0, 0.0, 0.0])
    fit[0] = _offset(measured - _line(fit, x, y), good)
    valid = zone = good
    for turn in range(_ROUNDS):
        residual = _wrapped(measured - _line(fit, x, y))
        valid = good & (np.abs(residual) < (0.4 if turn < 2 else _FAR))
        if turn >= 2:
            zone = _zone(valid, fit, x, y, cells.period_px / half)
            valid = valid & zone
        if np.count_nonzero(valid) < 2 * _FEWEST_STRIPS:
            return None
        fit = _improved(fit, residual, valid, x, y, bent=turn > 0)
    residual = _wrapped(measured - _line(fit, x, y))
    k = math.hypot(fit[1], fit[2])
    return Lines(
        gradient=(fit[1] / half, fit[2] / half),
        distortion=fit[3] / half**2,
        lean=fit[4] / half,
        priors=(PRIOR_LEAN / half, PRIOR_DISTORTION / half**2),
        x=x * half,
        y=cells.y,
        model=_line(fit, x, y),
        residual=residual,
        along=(fit[1] * x + fit[2] * y) / k * half,
        across=(fit[1] * y - fit[2] * x) / k * half,
        valid=valid,
        zone=zone,
        alternating=_alternating(good & (np.abs(residual) < _FAR), _line(fit, x, y), fit, x, y),
    )


def multiple(lines: Lines, cells: Cells) -> int:
    """Of how many of these lines the true spacing consists: 1, unless they are a harmonic of what is printed.

    Parameters
    ----------
    lines : Lines
        As followed.
    cells : Cells
        In which they were found.

    Notes
    -----
    Equal lines look alike from window to window. What is more like the m-th neighbour than the next is the m-th
    harmonic of something coarser.
    """
    kept = np.array([float(np.mean(_alike(cells.profile, lines.zone, m))) for m in range(1, _MOST_TIMES + 1)])
    return int(np.argmax(kept >= _ALIKE * kept.max())) + 1


def _alike(profile: NDArray[np.floating], zone: BoolArray, m: int) -> FloatArray:
    """Products of the windows of a zone with those m windows on."""
    both = zone[:, m:] & zone[:, :-m]
    products: FloatArray = np.einsum("ij,ij->i", profile[:, m:][both], profile[:, :-m][both]).astype(np.float64)
    return products if len(products) else np.zeros(1)


def _plane(cells: Cells) -> tuple[float, float]:
    """The strongest even plane of phase: lines a period beyond one, and lines a pixel down the picture.

    Edges and figures are louder than lines here and there, but only lines keep step over the whole picture.
    """
    wave, strip_px = cells.wave, float(cells.y[1] - cells.y[0])
    strips, windows = (2 ** math.ceil(math.log2(count)) for count in wave.shape)
    loud = np.abs(wave)
    power = np.abs(np.fft.fft2(wave / np.maximum(loud, np.median(loud) + 1e-12), (strips, windows)))
    across, down = np.fft.fftfreq(windows) / cells.every, np.fft.fftfreq(strips)
    power[:, np.abs(across) >= _OFF_FREQUENCY] = 0
    power[np.abs(down) * cells.period_px / strip_px > _STEEPEST] = 0
    row, column = np.unravel_index(np.argmax(power), power.shape)
    return float(across[column]), float(down[row]) / strip_px


def _line(fit: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Line coordinate: an even plane, distorted and leaning."""
    plane = fit[1] * x + fit[2] * y
    bent: FloatArray = fit[0] + plane * (1 + fit[3] * (x**2 + y**2) + fit[4] * x + fit[5] * y)
    return bent


def _improved(
    fit: FloatArray, residual: FloatArray, valid: BoolArray, x: FloatArray, y: FloatArray, *, bent: bool
) -> FloatArray:
    """One step of least squares; distortion and perspective held near 0 by what is known of them."""
    x, y, residual = x[valid], y[valid], residual[valid]
    plane = fit[1] * x + fit[2] * y
    shape = 1 + fit[3] * (x**2 + y**2) + fit[4] * x + fit[5] * y
    columns = np.stack((np.ones_like(x), x * shape, y * shape, plane * (x**2 + y**2), plane * x, plane * y), axis=1)
    if not bent:
        columns = columns[:, :3]
    prior = np.array([np.inf, np.inf, np.inf, PRIOR_DISTORTION, PRIOR_LEAN, PRIOR_LEAN])[: columns.shape[1]]
    variance = float(np.mean(residual**2)) + 1e-9
    normal = columns.T @ columns + np.diag(variance / prior**2)
    right = columns.T @ residual - variance / prior**2 * fit[: columns.shape[1]]
    better: FloatArray = fit.copy()
    better[: columns.shape[1]] += np.linalg.solve(normal, right)
    return better


def _zone(valid: BoolArray, fit: FloatArray, x: FloatArray, y: FloatArray, period: float) -> BoolArray:
    """The cells of the rows, along the ruler, in which nearly every window holds a line."""
    share, row = _share(valid, fit, x, y)
    full = share >= _FULL
    longest, begins = 0, 0
    run = 0
    for place, ok in enumerate([*full, False]):
        run = run + 1 if ok else 0
        if run > longest:
            longest, begins = run, place - run + 1
    if longest < _FEWEST_STRIPS:
        return np.zeros_like(valid)
    # what the ruler's edge or the ends of lines cross has its middle elsewhere: a strip, and what a window rises
    ends = 1 + math.ceil(abs(fit[2] / fit[1]) * period / (y[1, 0] - y[0, 0]))
    ends = max(0, min(ends, (longest - _FEWEST_STRIPS) // 2))
    inside: BoolArray = (row >= begins + ends) & (row < begins + longest - ends)
    return inside


def _share(valid: BoolArray, fit: FloatArray, x: FloatArray, y: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
    """Share of the cells with a line in each row of cells along the ruler, and the row of each cell."""
    step = y[1, 0] - y[0, 0]
    above = (y - fit[2] / fit[1] * x) / step
    row = np.rint(above - above.min()).astype(np.int64)
    cells = np.bincount(row.ravel())
    lines = np.bincount(row.ravel(), weights=valid.ravel())
    enough = cells >= 0.5 * valid.shape[1]
    share: FloatArray = np.where(enough, lines / np.maximum(cells, 1), 0.0)
    return share, row


def _alternating(seen: BoolArray, model: FloatArray, fit: FloatArray, x: FloatArray, y: FloatArray) -> bool:
    """Whether there are rows of cells that hold every second line and hardly any other."""
    _, row = _share(seen, fit, x, y)
    even = np.rint(model).astype(np.int64) % 2 == 0
    shares = []
    for which in (even, ~even):
        cells = np.bincount(row[which], minlength=row.max() + 1)
        lines = np.bincount(row[which], weights=seen[which], minlength=row.max() + 1)
        shares.append(np.where(cells >= 4, lines / np.maximum(cells, 1), np.nan))
    one, other = np.fmax(*shares), np.fmin(*shares)
    return bool(np.count_nonzero((one > 0.8) & (other < 0.3)) >= _FEWEST_STRIPS)


def _offset(difference: FloatArray, good: BoolArray) -> float:
    return float(np.angle(np.exp(2j * np.pi * difference[good]).sum())) / (2 * np.pi)


def _wrapped(lines: FloatArray) -> FloatArray:
    wrapped: FloatArray = lines - np.rint(lines)
    return wrapped
