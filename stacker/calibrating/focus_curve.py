"""A lens's through-focus curve, and where each place of the picture is sharpest, from products of contrasts."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_PLACES = 241  # trial planes of focus over the positions; between them a parabola
_WIDEST = 2.5  # times the f-number that was assumed
_GROUPS = 8
_ROUNDS = 4
_MODEL_ERROR = 0.003  # of the f-number: what is left in rendered runs that nothing scatters in (by rendering)
_LEAST_SHARE = 0.4
_MOST_WAVES = 1.6  # of spherical aberration: beyond, it is no lens for pictures
_TRIED_WAVES = (-1.2, -0.8, -0.4, 0.0, 0.4, 0.8, 1.2)  # the fit finds its way from the nearest one
_LEAST_SIZE = 0.2  # of the squares of a curve's products at the frames used, 1 for a pair in focus
_FINEST_FIT = 1e-4  # of a product in focus, squared: a detail of fewer frames seems to fit better than it does
_NO_FIT = 1e3  # counted for a curve that explains nothing
_STEP = (0.03, 0.15)  # of the logarithm of the f-number, and of waves: where the slope of what is left is taken


@dataclass(frozen=True, kw_only=True, slots=True)
class Shape:
    """What the curve of a lens depends on.

    Parameters
    ----------
    f_number : float
        Effective.
    waves : float
        Spherical aberration W040 at the edge of the pupil, of any sign [waves].
    """

    f_number: float
    waves: float = 0.0

    def changed(self, log_ratio: float, waves: float) -> Shape:
        """With the f-number so much larger and so many waves more, within what lenses have."""
        return Shape(
            f_number=self.f_number * math.exp(log_ratio),
            waves=float(np.clip(self.waves + waves, -_MOST_WAVES, _MOST_WAVES)),
        )


Curve = Callable[[FloatArray, Shape], FloatArray]
"""Share of contrast kept at displacements from the plane of focus [um]; for all details from one and the same plane."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FocusCurve:
    """A through-focus curve that was fitted.

    Parameters
    ----------
    shape : Shape
    others : tuple of (float, Shape)
        Groups of fits to less data, each with the factor that makes a variance of the squares of their deviations.
    model_error : float
        Of the f-number, as a share: what no scatter shows.
    freedom : float
        Degrees of freedom of such a variance.
    focus_um : ndarray, shape (tiles,)
        Position at which each tile is sharpest [um].
    power : ndarray, shape (tiles,)
        Contrast in focus, squared, of the first detail, of any scale.
    misfit : ndarray, shape (tiles,)
        Rms of what the curve leaves of the first detail's products, as a share of `power`.
    """

    shape: Shape
    others: tuple[tuple[float, tuple[Shape, ...]], ...]
    model_error: float
    freedom: float
    focus_um: FloatArray
    power: FloatArray
    misfit: FloatArray

    def error_of(self, value: Callable[[Shape], float]) -> float:
        """Standard error of something that follows from the shape, as the fits to less data scatter."""
        variance = 0.0
        for factor, shapes in self.others:
            values = np.array([value(shape) for shape in shapes])
            variance += factor * float(np.sum((values - values.mean()) ** 2))
        return math.sqrt(variance)


def fit_focus_curve(
    products: FloatArray, pairs: IntArray, positions_um: FloatArray, *, curves: Sequence[Curve], guess: float
) -> FocusCurve:
    """Fit one shape to all tiles and details, to each tile its plane of focus, and to each detail in it its contrast.

    Parameters
    ----------
    products : ndarray, shape (tiles, details, pairs)
        Contrast of one frame times that of another, for details of some frequencies.
    pairs : ndarray of int, shape (pairs, 2)
        Which frames; a frame with itself where noise is no matter.
    positions_um : ndarray, shape (frames,)
        Rail positions [um].
    curves : sequence of callable
        For each detail the share of contrast at displacements.
    guess : float
        The effective f-number by the request.

    Notes
    -----
    With S the curve, c^2 the target's power and z0 the plane of focus of a tile,

        products = c^2 S(z_i - z0) S(z_j - z0)

    For each trial shape and plane c^2 follows by least squares, so the search is over two numbers for all and one a
    tile. How wide the curves are tells the f-number; how far apart coarse and fine detail are sharpest, the spherical
    aberration. Fits without a group of tiles tell what noise does, fits without a frame what the rail does, and what
    the curves of a lens are that has other faults.
    """
    data = _Data(
        products=products,
        used=np.ones(products.shape),
        weight=np.ones(products.shape[1]),
        trials=_Trials(pairs=pairs, positions_um=positions_um, curves=tuple(curves)),
    )
    shape = _widest_search(data, guess)
    shape = _aberrated_search(_near_focus(data, shape), shape)
    for _ in range(_ROUNDS):
        data = _near_focus(data, shape)
        shape = _near(data, _near(data, shape))
    count, groups = len(positions_um), min(_GROUPS, len(products))
    by_frame = tuple(_near(data.without(frame), shape) for frame in range(count))
    by_group = tuple(_near(data.tiles(slice(start, None, groups)), shape) for start in range(groups))
    others = [((count - 1) / count, by_frame)]
    if groups > 1:
        others.append((1 / (groups * (groups - 1)), by_group))
    fitted = _tiles(data, shape)
    return FocusCurve(
        shape=shape,
        others=tuple(others),
        model_error=_MODEL_ERROR,
        freedom=float(groups + count - 2),
        focus_um=fitted.focus_um,
        power=fitted.power[:, 0],
        misfit=np.sqrt(fitted.left[:, 0] / np.maximum(data.used[:, 0].sum(axis=1), 1)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Trials:
    """What a shape makes of each pair of frames, for trial planes of focus: computed once for all fits to less data."""

    pairs: IntArray
    positions_um: FloatArray
    curves: tuple[Curve, ...]
    known: dict[Shape, list[FloatArray]] = field(default_factory=dict)

    @property
    def places_um(self) -> FloatArray:
        """Trial planes of focus."""
        return np.linspace(self.positions_um.min(), self.positions_um.max(), _PLACES)

    def models(self, shape: Shape) -> list[FloatArray]:
        """Products that would be, of power 1: for each detail an array (places, pairs)."""
        if shape not in self.known:
            away_um = self.positions_um[None, :] - self.places_um[:, None]
            shares = [curve(away_um, shape) for curve in self.curves]
            self.known[shape] = [one[:, self.pairs[:, 0]] * one[:, self.pairs[:, 1]] for one in shares]
        return self.known[shape]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Data:
    """Products with those that are used (1) or not (0), and how much a detail counts."""

    products: FloatArray
    used: FloatArray
    weight: FloatArray
    trials: _Trials

    def tiles(self, some: slice) -> _Data:
        """Some of the tiles."""
        return replace(self, products=self.products[some], used=self.used[some])

    def without(self, frame: int) -> _Data:
        """All pairs but those of one frame."""
        return replace(self, used=self.used * np.all(self.trials.pairs != frame, axis=1))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Fitted:
    """For one shape: plane of focus of each tile; of each tile and detail its power, and the squares left over it."""

    focus_um: FloatArray
    power: FloatArray
    left: FloatArray


def _widest_search(data: _Data, guess: float) -> Shape:
    """A perfect lens to begin with, of any f-number that may be."""
    trials = np.linspace(-math.log(_WIDEST), math.log(_WIDEST), 31)
    values = [_left(data, Shape(f_number=guess * math.exp(trial))) for trial in trials]
    return Shape(f_number=guess * math.exp(trials[int(np.argmin(values))]))


def _aberrated_search(data: _Data, shape: Shape) -> Shape:
    """The best of some shapes about a perfect lens's: where few details tell, the way to an aberration leads uphill."""
    trials = [shape.changed(log_ratio, waves) for log_ratio in (-0.08, 0.0, 0.08) for waves in _TRIED_WAVES]
    return min(trials, key=lambda trial: _left(data, trial))


def _near_focus(data: _Data, shape: Shape) -> _Data:
    """Only pairs of which both frames keep some share, each detail counting by how well its curve fits."""
    fitted = _tiles(data, shape)
    pairs = data.trials.pairs
    away_um = data.trials.positions_um[None, :] - fitted.focus_um[:, None]
    used = np.empty_like(data.used)
    for detail, curve in enumerate(data.trials.curves):
        shares = curve(away_um, shape)
        used[:, detail] = np.minimum(shares[:, pairs[:, 0]], shares[:, pairs[:, 1]]) > _LEAST_SHARE
    scatter = np.median(fitted.left / np.maximum(data.used.sum(axis=2), 1), axis=0)
    return replace(data, used=used, weight=1 / (1 + scatter / _FINEST_FIT))


def _left(data: _Data, shape: Shape) -> float:
    """What one shape leaves of all products, each tile counting alike."""
    total = float(np.sum(_tiles(data, shape).left @ data.weight))
    # of shapes that fit alike the less aberrated one
    return total * (1 + shape.waves**2 / max(1.0, float(data.used.sum())))


def _tiles(data: _Data, shape: Shape) -> _Fitted:
    places = data.trials.places_um
    explained, powers = [], []
    for detail, model in enumerate(data.trials.models(shape)):
        products = data.products[:, detail] * data.used[:, detail]
        # a plane at which no frame is sharp would explain anything by its curve's faint ends
        size = np.maximum(data.used[:, detail] @ (model**2).T, _LEAST_SIZE)
        match = np.maximum(products @ model.T, 0.0)  # (tiles, places)
        total = np.maximum(np.sum(products**2, axis=1, keepdims=True), 1e-300)
        explained.append(match**2 / size / total)
        powers.append((match / size, total[:, 0]))
    together = np.einsum("d,dtp->tp", data.weight, np.array(explained))
    best = np.clip(np.argmax(together, axis=1), 1, _PLACES - 2)
    rows = np.arange(len(best))
    left, top, right = (together[rows, best + d] for d in (-1, 0, 1))
    bend = left - 2 * top + right
    offset = np.clip(np.divide(left - right, 2 * bend, out=np.zeros_like(top), where=bend < 0), -1, 1)
    power = np.stack([values[rows, best] for values, _ in powers], axis=1)
    rest = np.empty_like(power)
    for detail, (values, (_, total)) in enumerate(zip(explained, powers, strict=True)):
        before, here, after = (values[rows, best + d] for d in (-1, 0, 1))
        peak = here + offset * (after - before) / 2 + offset**2 * (before - 2 * here + after) / 2
        unexplained = np.maximum(1 - peak, 0.0) * total
        rest[:, detail] = unexplained / np.maximum(power[:, detail] ** 2, unexplained / _NO_FIT + 1e-300)
    return _Fitted(focus_um=places[best] + offset * (places[1] - places[0]), power=power, left=rest)


def _near(data: _Data, shape: Shape) -> Shape:
    """The best shape close to one already found: the lowest point of a bowl through what is left round about."""
    moves = [(a, b) for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0)]
    values = [_left(data, shape.changed(a * _STEP[0], b * _STEP[1])) for a, b in moves]
    columns = np.array([(1, a, b, a * a / 2, a * b, b * b / 2) for a, b in moves])
    _, slope_f, slope_w, bend_f, both, bend_w = np.linalg.lstsq(columns, np.array(values), rcond=None)[0]
    slope, bend = np.array([slope_f, slope_w]), np.array([[bend_f, both], [both, bend_w]])
    if np.linalg.eigvalsh(bend)[0] > 0:
        move = -np.linalg.solve(bend, slope)
    else:  # no bowl: by the f-number alone
        move = np.array([-slope_f / bend_f if bend_f > 0 else 0.0, 0.0])
    move = np.clip(move, -4, 4)
    return shape.changed(move[0] * _STEP[0], move[1] * _STEP[1])
