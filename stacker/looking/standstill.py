"""Frames in a row that show one plane of focus: a rail that stands still, though it was told to move on.

A joint fit of all planes takes what most steps are for the planned one, so it cannot tell a rail that stood for a large
part of the run. Here only what detail does from one frame to another counts, and nothing of the plan.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stacker.looking.fields import FEWEST_FIELDS, BoolArray
from stacker.looking.planes import Planes, planes
from stacker.looking.steps import Step
from stacker.looking.through_focus import Curve, FloatArray

_STEPS = 4  # in a row: fewer cannot be told from frames that all lie behind the subject
_GROWTH = 1.4  # of the change over them, beside that from frame to frame: motion adds up, noise does not
_SHARE = 0.25  # of the change that as many steps make elsewhere in the stack
"""By rendering: of 870 windows of rails that moved the least had 0.29 with a growth of 1.46, of 260 of rails that stood
before something with detail nine in ten keep both."""
_USUAL = 0.95  # quantile of that change: as little as a twentieth of the run must have moved
_COMES_AND_GOES = 0.5  # of a tile's largest energy: least that it must fall to somewhere, and hold in the pair
_FAINT = 0.03  # of the middle one of largest energies


def standstills(energy: NDArray[np.floating]) -> FloatArray:
    """How far the plane of focus moved at most between neighbours that show one plane.

    Parameters
    ----------
    energy : ndarray, shape (frames, bands, rows, columns)
        As `planes.planes` takes it.

    Returns
    -------
    ndarray, shape (frames - 1,)
        Of a usual step; NaN where it moved on, or where that cannot be told [-].
    """
    frames = len(energy)
    still = np.full(max(frames - 1, 0), np.nan)
    if frames <= 2 * _STEPS:
        return still
    growth, share = _changes(energy)
    for first in np.flatnonzero((growth < _GROWTH) & (share < _SHARE)):
        part = slice(int(first), int(first) + _STEPS)
        still[part] = np.fmin(still[part], share[first] / 2)
    return still


def planes_of_run(energy: NDArray[np.floating], planned_um: FloatArray, curve: Curve, still: FloatArray) -> Planes:
    """`planes.planes` of the frames at which the rail moved on, and all steps, those at which it did not among them."""
    kept = moving(still)
    found = planes(energy[kept], when_moving(planned_um, still)[kept], curve)
    if kept.all():
        return found
    place = np.cumsum(kept) - 1  # among the kept ones, of each frame or of the one that it repeats
    reason = found.reason or "the rail stood still beside it"
    steps = []
    for k, at_most in enumerate(still):
        if np.isfinite(at_most):
            steps.append(Step(ratio=0.0, standard_error=float(at_most)))
        else:
            steps.append(found.steps[place[k]] if place[k] < len(found.steps) else Step(reason=reason))
    frames = np.flatnonzero(kept)
    return replace(
        found,
        steps=tuple(steps),
        plane_um=found.plane_um[place],
        softer=tuple(int(frames[one]) for one in found.softer),
        soft=tuple(int(frames[one]) for one in found.soft),
    )


def moving(still: FloatArray) -> BoolArray:
    """Which frames are not another one of the plane before, shape (frames,)."""
    return np.concatenate([[True], np.isnan(still)])


def when_moving(planned_um: FloatArray, still: FloatArray) -> FloatArray:
    """Planned planes, had the plan known where the rail stands still [um]."""
    steps_um = np.where(np.isnan(still), np.diff(planned_um), 0.0)
    planes_um: FloatArray = planned_um[0] + np.concatenate([[0.0], np.cumsum(steps_um)])
    return planes_um


def _changes(energy: NDArray[np.floating]) -> tuple[FloatArray, FloatArray]:
    """Of each window of frames the growth of change along it, and its share of what is usual; NaN where not told."""
    windows = len(energy) - _STEPS
    growth, share = [], []
    for band in range(energy.shape[1]):
        curve = energy[:, band].reshape(len(energy), -1).astype(np.float64)
        usable = np.isfinite(curve).all(axis=1)
        if not usable.any():
            continue
        largest = curve[usable].max(axis=0)
        detailed = (largest > 0) & (curve[usable].min(axis=0) < _COMES_AND_GOES * largest)
        detailed &= largest > _FAINT * np.median(largest)
        curve = curve[:, detailed] / largest[detailed]
        near = np.array([_change(curve[k], curve[k + 1]) for k in range(len(curve) - 1)])
        far = np.array([_change(curve[k], curve[k + _STEPS]) for k in range(windows)])
        if np.isnan(far).all():
            continue
        usual = np.nanquantile(far, _USUAL)
        growth.append(far / np.array([near[k : k + _STEPS].mean() for k in range(windows)]))
        share.append(far / max(float(usual), 1e-9))
    if not growth:
        return np.full(windows, np.nan), np.full(windows, np.nan)
    told = np.isfinite(growth).any(axis=0)
    grown, shared = np.full(windows, np.nan), np.full(windows, np.nan)
    grown[told] = np.exp(np.nanmean(np.log(np.array(growth)[:, told]), axis=0))
    shared[told] = np.nanmax(np.array(share)[:, told], axis=0)
    return grown, shared


def _change(one: FloatArray, other: FloatArray) -> float:
    """By how much the detail of places that are sharp there changes from one frame to another.

    Light that changes is not taken off: near an end all places may grow sharper together.
    """
    sharp = (one + other) / 2 > _COMES_AND_GOES
    if np.count_nonzero(sharp) < FEWEST_FIELDS:  # NaN compares as not sharp
        return np.nan
    ratio = np.log(np.maximum(other[sharp], 1e-9) / np.maximum(one[sharp], 1e-9))
    return float(np.abs(ratio).mean())
