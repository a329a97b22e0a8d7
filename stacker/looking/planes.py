"""Where each frame's plane of focus was, from the pictures of a finished stack.

Steps are told beside the steps around them: that all are wrong alike, or drift slowly, no picture shows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stacker.looking.fields import (
    FEWEST_FIELDS,
    NO_DETAIL,
    BoolArray,
    Fields,
    IntArray,
    fields_of,
    some_of,
    too_little,
)
from stacker.looking.plane_fit import Linear, Model, fine_losses, fit_planes
from stacker.looking.steps import Step, told_steps
from stacker.looking.through_focus import BandCurve, Curve, FloatArray, band_curves

FEWEST_FRAMES = 8
_MOST_MISFIT = 0.12  # of a field's peak, the median of all: hairy stacks leave 0.09 at most, empty ones 0.13 and more
_FEWEST_TOLD = 0.25
"""Of all steps: each is told beside those around it. Rendered stacks with detail tell half of theirs, a real one of
fluorescent light, which comes from many depths at once, 3 of 31, and one of these wrongly."""
_SOFT = 0.1  # of the logarithm of energy, fine beside coarse: 99 of 100 frames as they should be stay under 0.07
_SURELY_SOFT = 0.2  # likewise: of 575 frames beside a soft one none came above 0.13, of 19 soft ones 17 did above 0.2
_PART, _OVERLAP = 48, 12  # frames fitted together, and those on either side that only help
_MOST_A_STEP = 30  # fields of each band that are sharpest within one step


@dataclass(frozen=True, kw_only=True, slots=True)
class Planes:
    """What the energies of a stack say.

    Parameters
    ----------
    steps : tuple of Step
        One fewer than frames.
    plane_um : ndarray, shape (frames,)
        Where each frame's plane of focus was, on the planned scale; NaN where there is none [um].
    depth_um : ndarray, shape (rows, columns)
        Where each tile is sharpest, on the same scale; NaN where it does not tell [um].
    softer : tuple of int
        Frames, from 0, that have less fine detail beside coarse than those around them; no step beside them is told.
    soft : tuple of int
        Those of them that have so much less that it is no chance.
    reason : str or None
        Why nothing can be told, in words that go on after "cannot tell, because".
    silent : bool
        Whether that is because the pictures have no detail to go by: then nothing else that goes by detail counts.
    """

    steps: tuple[Step, ...]
    plane_um: FloatArray
    depth_um: FloatArray
    softer: tuple[int, ...] = ()
    soft: tuple[int, ...] = ()
    reason: str | None = None
    silent: bool = False


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

    Notes
    -----
    A frame that was smeared has lost fine detail, which looks like another plane of focus. So where fine detail is
    short beside coarse the frame is left out, and the rest is fitted anew.
    """
    found, softer = _fitted(energy, planned_um, curve)
    if not softer:
        return found
    rest = energy.astype(np.float64)
    rest[list(softer)] = np.nan
    found, _ = _fitted(rest, planned_um, curve)
    soft = "a frame beside it has less fine detail than those around it"
    steps = tuple(Step(reason=soft) if k in softer or k + 1 in softer else step for k, step in enumerate(found.steps))
    surely = tuple(frame for frame, loss in softer.items() if loss > _SURELY_SOFT)
    return replace(found, steps=steps, softer=tuple(softer), soft=surely)


def _fitted(energy: NDArray[np.floating], planned_um: FloatArray, curve: Curve) -> tuple[Planes, dict[int, float]]:
    """All that is told by one fit, and by how much frames are softer than those around them."""
    usable = np.isfinite(energy).all(axis=(1, 2, 3)) & (energy.max(axis=(1, 2, 3), initial=0) > 0)
    frames = np.flatnonzero(usable)
    if len(frames) < FEWEST_FRAMES:
        return _nothing(energy, usable, f"fewer than {FEWEST_FRAMES} frames can be looked into"), {}
    step_um = float(np.median(np.diff(planned_um)))
    at = (planned_um - planned_um[0]) / step_um
    curves = band_curves(curve, step_um)
    fields, details = fields_of(energy[frames], at[frames], curves)
    reason = too_little(details)
    if reason is None and len(fields.depth) < FEWEST_FIELDS:
        reason = NO_DETAIL
    if reason:
        return _nothing(energy, usable, reason, silent=True), {}
    parts = []
    for first in range(0, len(frames), _PART):
        if first and len(frames) - first < _PART // 2:
            break
        last = len(frames) if len(frames) - first < _PART * 3 // 2 else first + _PART
        around = slice(max(0, first - _OVERLAP), min(len(frames), last + _OVERLAP))
        chosen = _chosen(fields, at[frames], around)
        if len(chosen.depth) < FEWEST_FIELDS:
            return _nothing(energy, usable, "too few fields are in focus in some stretch of frames"), {}
        model, linear = fit_planes(chosen, at[frames[around]], curves)
        parts.append(_Part(fields=chosen, model=model, linear=linear, frames=frames[around], own=frames[first:last]))
    misfit = np.concatenate([part.model.misfit / np.maximum(np.abs(part.model.peak), 1e-9) for part in parts])
    if (middle := float(np.median(misfit))) > _MOST_MISFIT:
        reason = f"the fields follow no lens's curve: {middle:.2f} of their peaks is left over"
        return _nothing(energy, usable, reason, silent=True), {}
    found, softer = _put_together(parts, energy, at, step_um, usable), _softer(parts, curves)
    if sum(step.ratio is not None for step in found.steps) < _FEWEST_TOLD * len(found.steps):
        alone = Step(reason="too few steps can be told to hold one against the others")
        found = replace(found, steps=tuple(step if step.ratio is None else alone for step in found.steps))
    return found, softer


def _softer(parts: list[_Part], curves: tuple[BandCurve, ...]) -> dict[int, float]:
    """Frames that lack fine detail by far, and those on both sides of which do not, and by how much."""
    softer: dict[int, float] = {}
    for part in parts:
        loss = fine_losses(part.fields, part.model, curves)
        beside = loss[1:-1] - (loss[:-2] + loss[2:]) / 2
        own = np.isin(part.frames[1:-1], part.own) & (beside > _SOFT)
        softer |= dict(zip(part.frames[1:-1][own].tolist(), beside[own].tolist(), strict=True))
    return softer


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


def _nothing(energy: NDArray[np.floating], usable: BoolArray, reason: str, *, silent: bool = False) -> Planes:
    blank, tiles = np.full(len(energy), np.nan), np.full(energy.shape[2:], np.nan)
    steps = tuple(Step(reason=_unusable(usable, k) or reason) for k in range(len(energy) - 1))
    return Planes(
        steps=steps,
        plane_um=blank,
        depth_um=tiles,
        reason=reason,
        silent=silent,
    )


def _unusable(usable: BoolArray, k: int) -> str | None:
    return None if usable[k] and usable[k + 1] else "a frame beside it is missing or tells nothing"


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
        told = told_steps(part.fields, part.model, part.linear, at[part.frames])
        for k, (one, other) in enumerate(zip(part.frames, part.frames[1:], strict=False)):
            if other == one + 1 and (other in part.own or (one in part.own and one == part.own[-1])):
                steps[one] = told[k]
        _mark_depths(found, best, part, (offset, step_um))
    return replace(found, steps=tuple(steps), reason=None)


def _mark_depths(found: Planes, best: FloatArray, part: _Part, scale: tuple[float, float]) -> None:
    """Into the map, of each tile the band whose depth is most certain."""
    model = part.model
    offset, step_um = scale
    # a curve's place is as certain as its noise over its slope, which is about peak over width
    error = model.misfit / np.maximum(np.abs(model.peak), 1e-9) * np.exp(model.log_width)
    depth_um = (model.depth + offset) * step_um
    for i in np.argsort(-error):
        place = part.fields.place[i]
        if error[i] < best[place]:
            best[place] = error[i]
            found.depth_um.flat[place] = depth_um[i]
