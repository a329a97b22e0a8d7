"""The width of a through-focus curve, and where each place of the picture is sharpest, from products of contrasts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.calibrating.estimate import Estimate

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Curve = Callable[[FloatArray, float], FloatArray]
"""Share of contrast kept at displacements from focus [um] by a lens of some effective f-number."""

_PLACES = 241  # trial planes of focus over the positions; between them a parabola
_WIDEST = 2.5  # times the f-number that was assumed
_GROUPS = 8
_ROUNDS = 3
_MODEL_ERROR = 0.004  # of the f-number: what is left in rendered runs that nothing scatters in (by rendering)
_LEAST_SHARE = 0.4


@dataclass(frozen=True, kw_only=True, slots=True)
class FocusCurve:
    """A through-focus curve that was fitted.

    Parameters
    ----------
    effective_f_number : Estimate
        Of the perfect lens whose curve has this width.
    focus_um : ndarray, shape (tiles,)
        Position at which each tile is sharpest [um].
    power : ndarray, shape (tiles,)
        Contrast in focus, squared, of any scale.
    misfit : ndarray, shape (tiles,)
        Rms of what the curve leaves of the products, as a share of `power`.
    """

    effective_f_number: Estimate
    focus_um: FloatArray
    power: FloatArray
    misfit: FloatArray


def fit_focus_curve(
    products: FloatArray, pairs: IntArray, positions_um: FloatArray, *, curve: Curve, guess: float
) -> FocusCurve:
    """Fit one width to all tiles, and to each its plane of focus and its contrast.

    Parameters
    ----------
    products : ndarray, shape (tiles, pairs)
        Contrast of one frame times that of another.
    pairs : ndarray of int, shape (pairs, 2)
        Which frames; a frame with itself where noise is no matter.
    positions_um : ndarray, shape (frames,)
        Rail positions [um].
    curve : callable
        Share of contrast at displacements, for an effective f-number.
    guess : float
        The effective f-number by the request.

    Notes
    -----
    With S the curve, c^2 the target's power and z0 the plane of focus of a tile,

        products = c^2 S(z_i - z0) S(z_j - z0)

    For each trial width and plane c^2 follows by least squares, so the search is over one number for all and one a
    tile. The standard error adds what groups of tiles disagree by (noise) and what leaving out each frame changes (the
    rail, and the lens's curve being another than a perfect one's).
    """
    data = _Data(products=products, used=np.ones(products.shape), pairs=pairs, positions_um=positions_um, curve=curve)
    value = _best(data, guess)
    for _ in range(_ROUNDS):
        data = _near_focus(data, value)
        value = _near(data, value)
    error = math.hypot(_between_groups(data, value), _between_frames(data, value), _MODEL_ERROR)
    focus_um, power, rest = _tiles(data, value)
    return FocusCurve(
        effective_f_number=Estimate(
            value=value,
            standard_error=value * error,
            freedom=float(min(len(products), _GROUPS) + len(positions_um) - 2),
        ),
        focus_um=focus_um,
        power=power,
        misfit=np.sqrt(rest / np.maximum(data.used.sum(axis=1), 1)) / np.maximum(power, 1e-300),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Data:
    """Products with the pairs of each tile that are used (1) or not (0), shape (tiles, pairs)."""

    products: FloatArray
    used: FloatArray
    pairs: IntArray
    positions_um: FloatArray
    curve: Curve

    def part(self, tiles: slice | None = None, kept: NDArray[np.bool_] | None = None) -> _Data:
        """Some of the tiles or of the pairs."""
        rows = slice(None) if tiles is None else tiles
        columns = np.ones(len(self.pairs), dtype=bool) if kept is None else kept
        return replace(
            self,
            products=self.products[rows][:, columns],
            used=self.used[rows][:, columns],
            pairs=self.pairs[columns],
        )


def _best(data: _Data, guess: float) -> float:
    from scipy.optimize import minimize_scalar

    trials = np.linspace(-math.log(_WIDEST), math.log(_WIDEST), 25)
    values = [_left(data, guess * math.exp(trial)) for trial in trials]
    lowest = int(np.argmin(values))
    low, high = trials[max(0, lowest - 1)], trials[min(len(trials) - 1, lowest + 1)]
    found = minimize_scalar(
        lambda log_ratio: _left(data, guess * math.exp(log_ratio)),
        bounds=(low, high),
        method="bounded",
        options={"xatol": 1e-4},
    )
    return guess * math.exp(found.x)


def _near_focus(data: _Data, f_number: float) -> _Data:
    """Only pairs of which both frames keep some share: an aberrated lens's curve is a perfect one's only near focus."""
    focus_um, _, _ = _tiles(data, f_number)
    shares = data.curve(data.positions_um[None, :] - focus_um[:, None], f_number)
    sharp = np.minimum(shares[:, data.pairs[:, 0]], shares[:, data.pairs[:, 1]]) > _LEAST_SHARE
    return replace(data, used=sharp.astype(float))


def _left(data: _Data, f_number: float) -> float:
    """What one width leaves of all tiles' products, each tile counting alike."""
    _, power, rest = _tiles(data, f_number)
    some = power > 0
    return float(np.sum(rest[some] / power[some] ** 2)) if some.any() else math.inf


def _tiles(data: _Data, f_number: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Plane of focus, power and squares left of each tile, for one width."""
    positions_um, pairs = data.positions_um, data.pairs
    products = data.products * data.used
    places = np.linspace(positions_um.min(), positions_um.max(), _PLACES)
    shares = data.curve(positions_um[None, :] - places[:, None], f_number)
    model = shares[:, pairs[:, 0]] * shares[:, pairs[:, 1]]
    size = np.maximum(data.used @ (model**2).T, 1e-300)
    match = np.maximum(products @ model.T, 0.0)  # (tiles, places)
    explained = match**2 / size
    best = np.clip(np.argmax(explained, axis=1), 1, _PLACES - 2)
    rows = np.arange(len(products))
    left, top, right = (explained[rows, best + d] for d in (-1, 0, 1))
    bend = left - 2 * top + right
    offset = np.clip(np.divide(left - right, 2 * bend, out=np.zeros_like(top), where=bend < 0), -1, 1)
    peak = top - (left - right) * offset / 4
    focus_um = places[best] + offset * (places[1] - places[0])
    power = match[rows, best] / size[rows, best]
    rest = np.maximum(np.sum(products**2, axis=1) - peak, 0.0)
    return focus_um, power, rest


def _between_groups(data: _Data, value: float) -> float:
    """Relative standard error from how groups of tiles disagree."""
    groups = min(_GROUPS, len(data.products))
    if groups < 2:
        return 0.0
    found = [_near(data.part(slice(start, None, groups)), value) for start in range(groups)]  # each from all over
    return float(np.std(np.log(found), ddof=1)) / math.sqrt(groups)


def _between_frames(data: _Data, value: float) -> float:
    """Relative standard error from leaving out each frame in turn (the jackknife)."""
    count = len(data.positions_um)
    found = [_near(data.part(kept=np.all(data.pairs != frame, axis=1)), value) for frame in range(count)]
    return math.sqrt((count - 1) / count * float(np.sum((np.log(found) - np.mean(np.log(found))) ** 2)))


def _near(data: _Data, value: float) -> float:
    """The best width close to one already found."""
    steps = np.array([-0.04, -0.02, 0.0, 0.02, 0.04])
    bend, slope, _ = np.polyfit(steps, [_left(data, value * math.exp(step)) for step in steps], 2)
    return value * math.exp(float(np.clip(-slope / (2 * bend), -0.3, 0.3))) if bend > 0 else value
