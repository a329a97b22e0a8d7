"""One joint fit: every field's depth, width, peak and floor, every frame's plane of focus and gain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stacker.looking.fields import Fields
from stacker.looking.through_focus import BandCurve, FloatArray
from stacker.pixels.energy import BANDS

_ROUNDS = 20
_STILL = 0.003  # planes that move less between rounds are found [steps]: a tenth of the least error
_STEP_SPREAD = 0.12  # of a planned step: how far normal steps may lie off; those far off pull less and less
_GAIN_SPREAD = 0.1  # of the logarithm of energy
_LEAST_MISFIT = 0.02  # of a field's peak: what good scenes leave (by rendering)
_TAIL = 2.0  # standard deviations, where residuals and widths begin to count less
_WIDTH_SPREAD = (0.05, 0.4)  # of the logarithm of width: least and most scatter between fields of a band
_FEWEST_SHARP = 8  # fields of a band: what their median needs
_SLOW = 5  # steps each way over which a stretch is taken for the fields' own


@dataclass(kw_only=True, slots=True)
class Model:
    """What is fitted. Planes and depths in planned steps; peak and floor over a field's largest energy."""

    plane: FloatArray
    log_gain: FloatArray
    depth: FloatArray
    log_width: FloatArray
    peak: FloatArray
    floor: FloatArray
    misfit: FloatArray  # of each field


@dataclass(frozen=True, kw_only=True, slots=True)
class Linear:
    """The fit near its end: planes first, then gains, along each axis of length 2 x frames.

    Parameters
    ----------
    information : ndarray, shape (2 frames, 2 frames)
        Of data and priors, with the fields' own unknowns eliminated.
    prior : ndarray, shape (2 frames, 2 frames)
        The part of it that no picture gave.
    scores : ndarray, shape (places, 2 frames)
        What each place of the picture pulls: how they scatter tells the error, whatever its cause.
    step_weight : ndarray, shape (frames - 1,)
        Information in the prior of each step.
    """

    information: FloatArray
    prior: FloatArray
    scores: FloatArray
    step_weight: FloatArray


def fit_planes(fields: Fields, at: FloatArray, curves: tuple[BandCurve, ...]) -> tuple[Model, Linear]:
    """Fit all at once, outliers counting little.

    Parameters
    ----------
    fields : Fields
        With rough depths and widths.
    at : ndarray, shape (frames,)
        Planned planes [steps].
    curves : tuple of BandCurve

    Notes
    -----
    The model of field t in frame i is

        gain_i (floor_t + peak_t S((plane_i - depth_t) / width_t))

    with S the plan's curve. Weighted least squares by Gauss and Newton, the four unknowns of each field eliminated
    first. Only frames near a field's depth count: farther off, other depths shine in.

    A slow stretch of planes is the same as fields getting wider, as they do where a surface turns away. So steps are
    steps beside those around them: after each round the running median of steps is set to the planned one.
    """
    model = _begun(fields, at, curves)
    damping = 1e-2
    for _ in range(_ROUNDS):
        weighed = _weighed(fields, model, curves)
        before = model.plane
        _moved(model, at, weighed, damping)
        _unstretched(model, at)
        if np.abs(model.plane - before).max() < _STILL:
            break
        damping = max(damping / 2, 1e-5)
    weighed = _weighed(fields, model, curves)
    return model, _linear(model, fields, at, weighed)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Weighed:
    """Residuals, weights and derivatives, shape (frames, n), those by the field's four unknowns (4, frames, n)."""

    residual: FloatArray
    weight: FloatArray
    own: FloatArray
    by_plane: FloatArray
    by_gain: FloatArray
    width_pull: FloatArray  # shape (n,)
    width_weight: FloatArray


def _shape(fields: Fields, model: Model, curves: tuple[BandCurve, ...]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share, its slope, and which frames count."""
    width = np.exp(model.log_width)
    apart = model.plane[:, None] - model.depth
    x = apart / width
    share, slope = np.empty_like(x), np.empty_like(x)
    reach = np.empty(len(width))
    for band in range(BANDS):
        some = fields.band == band
        share[:, some], slope[:, some] = curves[band].at(x[:, some])
        reach[some] = curves[band].reach
    near = (np.abs(apart) < np.maximum(reach * width + 1, 3)).astype(np.float64)
    return share, slope, near


def _begun(fields: Fields, at: FloatArray, curves: tuple[BandCurve, ...]) -> Model:
    count = len(fields.depth)
    model = Model(
        plane=at.copy(),
        log_gain=np.zeros(len(at)),
        depth=fields.depth.copy(),
        log_width=fields.log_width.copy(),
        peak=np.ones(count),
        floor=np.zeros(count),
        misfit=np.full(count, 0.1),
    )
    share, _, near = _shape(fields, model, curves)
    total = near.sum(axis=0) + 1e-12
    mean_share, mean_energy = (near * share).sum(axis=0) / total, (near * fields.energy).sum(axis=0) / total
    spread = (near * (share - mean_share) ** 2).sum(axis=0)
    model.peak = (near * (share - mean_share) * (fields.energy - mean_energy)).sum(axis=0) / np.maximum(spread, 1e-12)
    model.floor = mean_energy - model.peak * mean_share
    return model


def _weighed(fields: Fields, model: Model, curves: tuple[BandCurve, ...]) -> _Weighed:
    share, slope, near = _shape(fields, model, curves)
    gain = np.exp(model.log_gain)[:, None]
    expected = gain * (model.floor + model.peak * share)
    residual = fields.energy - expected
    held = np.minimum(np.abs(residual), 3 * model.misfit)
    freedom = np.maximum(near.sum(axis=0) - 4, 1)
    model.misfit = np.maximum(
        np.sqrt((near * held**2).sum(axis=0) / freedom), _LEAST_MISFIT * np.abs(model.peak) + 1e-6
    )
    weight = near / (1 + (residual / (_TAIL * model.misfit)) ** 2) / model.misfit**2
    by_plane = gain * model.peak * slope / np.exp(model.log_width)
    pull, hold = _width_prior(fields, model)
    return _Weighed(
        residual=residual,
        weight=weight,
        own=np.stack([-by_plane, -by_plane * (model.plane[:, None] - model.depth), gain * share, gain + 0 * share]),
        by_plane=by_plane,
        by_gain=expected,
        width_pull=pull,
        width_weight=hold,
    )


def _width_prior(fields: Fields, model: Model) -> tuple[FloatArray, FloatArray]:
    """How far each width lies off the middle one of its band, and how much that counts."""
    off, weight = np.zeros(len(model.depth)), np.ones(len(model.depth))
    for band in range(BANDS):
        some = fields.band == band
        if not some.any():
            continue
        away = model.log_width[some] - np.median(model.log_width[some])
        spread = float(np.clip(1.48 * np.median(np.abs(away)), *_WIDTH_SPREAD))
        off[some] = away
        weight[some] = 1 / (1 + (away / (_TAIL * spread)) ** 2) / spread**2
    return off, weight


def _eliminated(
    model: Model, at: FloatArray, weighed: _Weighed, damping: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Normal equations: fields' own (n, 4, 4) and right side (n, 4), mixed (n, 4, 2 frames), frames' and right side."""
    frames = len(at)
    own, weight, residual = weighed.own, weighed.weight, weighed.residual
    pulled = weight * own
    small = np.einsum("pfn,qfn->npq", pulled, own)
    right = np.einsum("pfn,fn->np", pulled, residual)
    small[:, 1, 1] += weighed.width_weight
    right[:, 1] -= weighed.width_weight * weighed.width_pull
    corner = np.arange(4)
    small[:, corner, corner] *= 1 + damping
    small[:, corner, corner] += 1e-9
    mixed = np.concatenate([pulled * weighed.by_plane, pulled * weighed.by_gain], axis=1).transpose(2, 0, 1)
    large = np.zeros((2 * frames, 2 * frames))
    i = np.arange(frames)
    large[i, i] = (weight * weighed.by_plane**2).sum(axis=1)
    large[i + frames, i + frames] = (weight * weighed.by_gain**2).sum(axis=1)
    large[i, i + frames] = large[i + frames, i] = (weight * weighed.by_plane * weighed.by_gain).sum(axis=1)
    prior, pull, _ = _frame_prior(model, at)
    pushed = [(weight * by * residual).sum(axis=1) for by in (weighed.by_plane, weighed.by_gain)]
    return small, right, mixed, large + prior, np.concatenate(pushed) - pull


def _frame_prior(model: Model, at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Information, gradient and weight of each step of what is taken for granted: steps as planned, gains near one."""
    frames = len(at)
    planned = np.diff(at)
    off = np.diff(model.plane) / planned - 1
    weight = 1 / (1 + (off / (_TAIL * _STEP_SPREAD)) ** 2) / _STEP_SPREAD**2
    difference = np.diff(np.eye(frames), axis=0) / planned[:, None]
    prior = np.zeros((2 * frames, 2 * frames))
    prior[:frames, :frames] = difference.T @ (weight[:, None] * difference) + 1e-3 / frames  # and a middle that stays
    i = np.arange(frames, 2 * frames)
    prior[i, i] = 1 / _GAIN_SPREAD**2
    pull = np.concatenate([difference.T @ (weight * off), model.log_gain / _GAIN_SPREAD**2])
    return prior, pull, weight


def _moved(model: Model, at: FloatArray, weighed: _Weighed, damping: float) -> None:
    """One step of Gauss and Newton, of bounded length."""
    frames = len(at)
    small, right, mixed, large, push = _eliminated(model, at, weighed, damping)
    root = np.linalg.inv(np.linalg.cholesky(small))
    half = (root @ mixed).reshape(-1, 2 * frames)
    rest = (root @ right[..., None]).reshape(-1)
    normal = large - half.T @ half
    i = np.arange(2 * frames)
    normal[i, i] *= 1 + damping
    frame_move = np.linalg.solve(normal, push - half.T @ rest)
    back = (rest - half @ frame_move).reshape(-1, 4, 1)
    move = (root.transpose(0, 2, 1) @ back)[..., 0]
    model.plane = model.plane + np.clip(frame_move[:frames], -0.5, 0.5)
    model.log_gain = model.log_gain + np.clip(frame_move[frames:], -0.3, 0.3)
    model.depth = model.depth + np.clip(move[:, 0], -0.7, 0.7)
    model.log_width = np.clip(model.log_width + np.clip(move[:, 1], -0.3, 0.3), -1.0, 1.8)
    model.peak, model.floor = model.peak + move[:, 2], model.floor + move[:, 3]


def _unstretched(model: Model, at: FloatArray) -> None:
    """Set the running median of steps to the planned one, and widths and depths with it."""
    steps = np.diff(model.plane) / np.diff(at)
    count = len(steps)
    median = [np.median(steps[max(0, k - _SLOW) : k + _SLOW + 1]) for k in range(count)]
    stretch = np.clip([np.mean(median[max(0, k - 3) : k + 4]) for k in range(count)], 0.5, 2)
    old = np.maximum.accumulate(model.plane) + 1e-6 * np.arange(len(at))
    middle = (old[1:] + old[:-1]) / 2
    new = np.concatenate([[0.0], np.cumsum(np.diff(model.plane) / stretch)])
    rising = np.maximum.accumulate(new) + 1e-6 * np.arange(len(at))
    far = np.array([1000.0])
    knots = np.concatenate([old[:1] - far, old, old[-1:] + far])
    places = np.concatenate([rising[:1] - far / stretch[0], rising, rising[-1:] + far / stretch[-1]])
    model.log_width = model.log_width - np.log(np.interp(model.depth, middle, stretch))
    shift = float(np.mean(at) - np.mean(new))
    model.depth = np.interp(model.depth, knots, places) + shift
    model.plane = new + shift


def _linear(model: Model, fields: Fields, at: FloatArray, weighed: _Weighed) -> Linear:
    small, _, mixed, large, _ = _eliminated(model, at, weighed, 1e-6)
    half = (np.linalg.inv(np.linalg.cholesky(small)) @ mixed).reshape(-1, 2 * len(at))
    prior, _, step_weight = _frame_prior(model, at)
    pulls = np.concatenate([weighed.weight * by * weighed.residual for by in (weighed.by_plane, weighed.by_gain)])
    _, group = np.unique(fields.place, return_inverse=True)
    scores = np.zeros((int(group.max()) + 1, 2 * len(at)))
    np.add.at(scores, group, pulls.T)
    return Linear(information=large - half.T @ half, prior=prior, scores=scores, step_weight=step_weight)


def fine_losses(fields: Fields, model: Model, curves: tuple[BandCurve, ...]) -> FloatArray:
    """How much less of its finest detail than of its coarsest each frame has, by the logarithm of energy.

    Returns
    -------
    ndarray, shape (frames,)
        Beside what the fit expects of tiles that are sharp there; NaN where these are too few [-].
    """
    share, _, _ = _shape(fields, model, curves)
    expected = np.exp(model.log_gain)[:, None] * (model.floor + model.peak * share)
    ratio = np.log(np.maximum(fields.energy, 1e-6)) - np.log(np.maximum(expected, 1e-6))
    losses = np.full(len(model.plane), np.nan)
    for frame in range(len(losses)):
        sharp = share[frame] > 0.5
        fine, coarse = (ratio[frame, sharp & (fields.band == band)] for band in (0, BANDS - 1))
        if min(len(fine), len(coarse)) >= _FEWEST_SHARP:
            losses[frame] = np.median(coarse) - np.median(fine)
    return losses
