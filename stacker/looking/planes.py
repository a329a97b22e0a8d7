"""Where each frame's plane of focus was, from the pictures of a finished stack.

Steps are told beside the steps around them: that all are wrong alike, or drift slowly, no picture shows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.looking.fields import FEWEST_FIELDS, BoolArray, Fields, IntArray, fields_of, some_of, too_little
from stacker.looking.plane_fit import Linear, Model, fit_planes
from stacker.looking.through_focus import Curve, FloatArray, band_curves

FEWEST_FRAMES = 8
_FEWEST_NEAR = 6  # places sharpest within a step and a half of a step's middle
_MOST_MISFIT = 0.12  # of a field's peak, the median of all: hairy stacks leave 0.09 at most, empty ones 0.13 and more
_MOST_ERROR = 0.075  # of a step: then 0.15 is two standard errors
_LONG, _MOST_ERROR_OF_LONG = 1.5, 0.1  # of longer ones, which are a fault at any rate, as a share of their ratio
_ERROR_FACTOR, _ERROR_FLOOR = 1.3, 0.025  # by rendering: what the places' scatter does not show
_BRIDGED, _BEYOND = 2.0, 0.5  # fields hardly bridge a longer step: it comes out too short, by rendering
_LEAST_OFF, _SURELY = 0.25, 3.0  # a step is off by this much, and by so many standard errors, before it is called off
_FEWEST_TOLD = 0.25
"""Of all steps: each is told beside those around it. Rendered stacks with detail tell half of theirs, a real one of
fluorescent light, which comes from many depths at once, 3 of 31, and one of these wrongly."""
_PART, _OVERLAP = 48, 12  # frames fitted together, and those on either side that only help
_MOST_A_STEP = 30  # fields of each band that are sharpest within one step


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """From one frame to the next.

    Parameters
    ----------
    ratio : float or None
        Of the planned step, beside those around it; None where it cannot be told [-].
    standard_error : float or None
        Its own.
    reason : str or None
        Why it cannot be told, in words that go on after "cannot tell, because".
    """

    ratio: float | None = None
    standard_error: float | None = None
    reason: str | None = None

    @property
    def off(self) -> bool:
        """Whether it is surely another step than the planned one."""
        if self.ratio is None or self.standard_error is None:
            return False
        return abs(self.ratio - 1) > max(_LEAST_OFF, _SURELY * self.standard_error)


@dataclass(frozen=True, kw_only=True, slots=True)
class Planes:
    """What the energies of a stack say.

    Parameters
    ----------
    steps : tuple of Step
        One fewer than frames.
    plane_um : ndarray, shape (frames,)
        Where each frame's plane of focus was, on the planned scale; NaN where there is none [um].
    gain : ndarray, shape (frames,)
        Fine energy over that of the frames around it, the plane's place allowed for; NaN where not known [-].
    depth_um, depth_error_um : ndarray, shape (rows, columns)
        Where each tile is sharpest, and its standard error; NaN where it does not tell [um].
    misfit : ndarray, shape (rows, columns)
        Rms of what the fit leaves, over the tile's peak [-].
    reason : str or None
        Why nothing can be told, in words that go on after "cannot tell, because".
    """

    steps: tuple[Step, ...]
    plane_um: FloatArray
    gain: FloatArray
    depth_um: FloatArray
    depth_error_um: FloatArray
    misfit: FloatArray
    reason: str | None = None


def planes(energy: NDArray[np.floating], planned_um: FloatArray, curve: Curve) -> Planes:
    """Find each frame's plane of focus.

    Parameters
    ----------
    energy : ndarray, shape (frames, bands, rows, columns)
        `fields.tiles_of` of each picture's `pixels.energy`, in order of depth; NaN throughout for a frame that is
        missing, dark, or not to be trusted.
    planned_um : ndarray, shape (frames,)
        Planned planes of focus on the subject, rising [um].
    curve : callable
        Share of contrast kept at displacements [um] and a frequency [cycles a pixel of the pictures as they were read]
        by the plan's own optics.

    Returns
    -------
    Planes
    """
    usable = np.isfinite(energy).all(axis=(1, 2, 3)) & (energy.max(axis=(1, 2, 3), initial=0) > 0)
    frames = np.flatnonzero(usable)
    if len(frames) < FEWEST_FRAMES:
        return _nothing(energy, usable, f"fewer than {FEWEST_FRAMES} frames can be looked into")
    step_um = float(np.median(np.diff(planned_um)))
    at = (planned_um - planned_um[0]) / step_um
    curves = band_curves(curve, step_um)
    fields, details = fields_of(energy[frames], at[frames], curves)
    reason = too_little(details)
    if reason is None and len(fields.depth) < FEWEST_FIELDS:
        reason = "hardly any field has detail that comes and goes with focus"
    if reason:
        return _nothing(energy, usable, reason)
    parts = []
    for first in range(0, len(frames), _PART):
        if first and len(frames) - first < _PART // 2:
            break
        last = len(frames) if len(frames) - first < _PART * 3 // 2 else first + _PART
        around = slice(max(0, first - _OVERLAP), min(len(frames), last + _OVERLAP))
        chosen = _chosen(fields, at[frames], around)
        if len(chosen.depth) < FEWEST_FIELDS:
            return _nothing(energy, usable, "too few fields are in focus in some stretch of frames")
        model, linear = fit_planes(chosen, at[frames[around]], curves)
        parts.append(_Part(fields=chosen, model=model, linear=linear, frames=frames[around], own=frames[first:last]))
    misfit = np.concatenate([part.model.misfit / np.maximum(np.abs(part.model.peak), 1e-9) for part in parts])
    if (middle := float(np.median(misfit))) > _MOST_MISFIT:
        return _nothing(energy, usable, f"the fields follow no lens's curve: {middle:.2f} of their peaks is left over")
    found = _put_together(parts, energy, at, step_um, usable)
    if sum(step.ratio is not None for step in found.steps) < _FEWEST_TOLD * len(found.steps):
        alone = Step(reason="too few steps can be told to hold one against the others")
        return replace(found, steps=tuple(step if step.ratio is None else alone for step in found.steps))
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class _Part:
    """A stretch of frames that were fitted together, by their numbers; `own` are those it answers for."""

    fields: Fields
    model: Model
    linear: Linear
    frames: IntArray
    own: IntArray


def _chosen(fields: Fields, at: FloatArray, around: slice) -> Fields:
    inside = (fields.depth > at[around][0] - 1) & (fields.depth < at[around][-1] + 1)
    some = fields.part(inside, around)
    return some.part(some_of(some, _MOST_A_STEP))


def _nothing(energy: NDArray[np.floating], usable: BoolArray, reason: str) -> Planes:
    blank, tiles = np.full(len(energy), np.nan), np.full(energy.shape[2:], np.nan)
    steps = tuple(Step(reason=_unusable(usable, k) or reason) for k in range(len(energy) - 1))
    return Planes(
        steps=steps,
        plane_um=blank,
        gain=blank.copy(),
        depth_um=tiles,
        depth_error_um=tiles.copy(),
        misfit=tiles.copy(),
        reason=reason,
    )


def _unusable(usable: BoolArray, k: int) -> str | None:
    return None if usable[k] and usable[k + 1] else "a frame beside it is missing or shows nothing"


def _put_together(
    parts: list[_Part], energy: NDArray[np.floating], at: FloatArray, step_um: float, usable: BoolArray
) -> Planes:
    found = _nothing(energy, usable, "")
    steps = list(found.steps)
    best = np.full(energy.shape[2:], np.inf).ravel()
    offset = 0.0
    for part in parts:
        model = part.model
        if part.own[0] != part.frames[0]:  # parts meet where the earlier one ends
            before = part.frames[np.searchsorted(part.frames, part.own[0]) - 1]
            offset = found.plane_um[before] / step_um - model.plane[np.searchsorted(part.frames, before)]
        mine = np.isin(part.frames, part.own)
        found.plane_um[part.own] = (model.plane[mine] + offset) * step_um
        found.gain[part.own] = np.exp(model.log_gain[mine])
        told = _told(part, at[part.frames])
        for k, (one, other) in enumerate(zip(part.frames, part.frames[1:], strict=False)):
            if other == one + 1 and (other in part.own or (one in part.own and one == part.own[-1])):
                steps[one] = told[k]
        _mark_depths(found, best, part, (offset, step_um))
    return Planes(
        steps=tuple(steps),
        plane_um=found.plane_um,
        gain=found.gain,
        depth_um=found.depth_um,
        depth_error_um=found.depth_error_um,
        misfit=found.misfit,
    )


def _mark_depths(found: Planes, best: FloatArray, part: _Part, scale: tuple[float, float]) -> None:
    """Into the maps, of each tile the band whose depth is most certain."""
    model = part.model
    offset, step_um = scale
    share = model.misfit / np.maximum(np.abs(model.peak), 1e-9)
    # a curve's place is as certain as its noise over its slope, which is about peak over width; some five frames tell
    error = share * np.exp(model.log_width) / np.sqrt(5)
    for i in np.argsort(-error):
        place = part.fields.place[i]
        if error[i] < best[place]:
            best[place] = error[i]
            row, column = divmod(int(place), found.depth_um.shape[1])
            found.depth_um[row, column] = (model.depth[i] + offset) * step_um
            found.depth_error_um[row, column] = error[i] * step_um
            found.misfit[row, column] = share[i]


def _told(part: _Part, at: FloatArray) -> list[Step]:
    """Each step without the prior that took it for the planned one."""
    model, linear, frames = part.model, part.linear, len(at)
    planned = np.diff(at)
    covariance = np.linalg.inv(linear.information + 1e-9 * np.eye(2 * frames)).astype(np.float64)
    scatter = linear.scores.T @ linear.scores
    told = []
    for k in range(frames - 1):
        middle = (model.plane[k] + model.plane[k + 1]) / 2
        reach = max(1.5, (model.plane[k + 1] - model.plane[k]) / 2 + 1)
        near = np.abs(model.depth - middle) < reach
        if len(np.unique(part.fields.place[near])) < _FEWEST_NEAR:
            told.append(Step(reason="too few fields are in focus there"))
            continue
        ratio, error = _without_prior(k, model.plane, planned, linear, covariance, scatter)
        certain = error < (_MOST_ERROR if ratio < _LONG else _MOST_ERROR_OF_LONG * ratio)
        if not certain and not abs(ratio - 1) > _LEAST_OFF + _SURELY * error:
            told.append(Step(reason="the fields that are in focus there leave it too uncertain"))
        else:
            told.append(Step(ratio=ratio, standard_error=error))
    return told


def _without_prior(
    k: int, plane: FloatArray, planned: FloatArray, linear: Linear, covariance: FloatArray, scatter: FloatArray
) -> tuple[float, float]:
    """Ratio of one step and its standard error.

    Notes
    -----
    A prior of one step is one row of the normal equations. Taking it away is an update of rank one (Sherman and
    Morrison), which shifts all planes by what it had pulled. The ratio is to the mean of five steps either way, and so
    the error is that of the two together. It is the larger one of what the weights say and of what the scatter of the
    places says.
    """
    count = len(planned)
    row = np.zeros(len(covariance))
    row[k], row[k + 1] = -1 / planned[k], 1 / planned[k]
    held = linear.step_weight[k]
    swung = covariance @ row
    left = 1 - held * float(row @ swung)
    if left < 0.02:  # all that is known of the step is what was taken for granted
        return 1.0, np.inf
    without = covariance + np.outer(swung, swung) * held / left
    shift = without @ row * (held * float(row[: count + 1] @ plane - 1))
    ratios = np.diff(plane + shift[: count + 1]) / planned
    near = np.array([j for j in range(max(0, k - 5), min(count, k + 6)) if j != k])
    weight = linear.step_weight[near] / linear.step_weight[near].sum()
    around = float(weight @ ratios[near])
    ratio = float(ratios[k]) / around
    change = row.copy()
    for j, one in zip(near, weight, strict=True):
        change[j] += ratio * one / planned[j]
        change[j + 1] -= ratio * one / planned[j]
    change /= around
    by_weights = float(change @ without @ change)
    pulled = without @ change
    by_scatter = float(pulled @ (scatter + linear.prior - held * np.outer(row, row)) @ pulled)
    error = _ERROR_FACTOR * np.sqrt(max(by_weights, by_scatter, 0.0))
    floor = _ERROR_FLOOR * max(1.0, ratio) + _BEYOND * max(0.0, ratio - _BRIDGED)
    return ratio, float(np.hypot(error, floor))
