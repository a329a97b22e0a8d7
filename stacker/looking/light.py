"""Light over the frames of a stack: which frame got less or more than its neighbours, and by how many stops.

Two neighbours show nearly the same, so the median over fields of the ratio of their light is near 1 whatever the
subject is. A frame is off where it differs from the frames before it and from those behind it, both in one sense: a
slow drift, or light that changes for good, differs from one side alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.floating]

DARK_STOPS = 3.0  # under that hardly any light of the flash came: what is left is the room's
LEAST_STOPS = 0.2  # unfaulted frames differ by up to 0.1; a third of a stop is what a flash or a shutter gets wrong
_SIGMAS = 4.0  # of the flicker of this light: one frame in ten thousand, were it normal and known for certain
_MAD = 1.4826  # standard deviation of a normal spread over its median absolute deviation
_REACH = 5  # neighbours on each side: the median of them bears two that are off themselves
_DRIFT = 8  # steps on each side whose middle one is the drift
_LASTING = 1.5  # what changes for good must be so much more: every step is a place where it may have begun
_FLOOR = 2.0**-12  # less light than that is nothing: the first step of an 8-bit picture is 2^-12 too
_NOISE = 2.0**-9  # light that the noise of a dark frame looks like
_LIT = 0.004  # one of the two frames must have that much in a field: noise of black fields tells nothing
_FEWEST = 12  # fields
FEWEST_FRAMES = 6
"""Fewer tell no drift from one frame that is off: of three to five, a misfire made a good one seem dark."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Off:
    """Frames whose light differs from the others'.

    Parameters
    ----------
    frames : tuple of int
        One, or some in a row.
    stops : float or None
        Below 0: darker; None: brighter by nobody can say how much, since it is clipped.
    at_least : bool
        Whether there is so little light that noise may be all of it, and the stops are the fewest it can be.
    lasting : bool
        Whether the light changed there and stayed so, for these frames at least.
    """

    frames: tuple[int, ...]
    stops: float | None
    at_least: bool = False
    lasting: bool = False

    @property
    def dark(self) -> bool:
        """Whether hardly any light came."""
        return self.stops is not None and self.stops < -DARK_STOPS


@dataclass(frozen=True, kw_only=True, slots=True)
class Light:
    """What the light of a stack is like.

    Parameters
    ----------
    off : tuple of Off
        In order of frames.
    compared : tuple of int
        Frames that could be compared with neighbours.
    untold : tuple of int
        Those that could not: nearly every field is black or clipped, or there is no frame like it.
    spread_stops : float
        How far the frames that are not off are from their neighbours at most [stops].
    least_stops : float
        Smaller differences are not told [stops].
    stops : dict of int to float
        How far each frame compared is from its neighbours on both sides [stops]; infinite where it is clipped.
    """

    off: tuple[Off, ...] = ()
    compared: tuple[int, ...] = ()
    untold: tuple[int, ...] = ()
    spread_stops: float = 0.0
    least_stops: float = LEAST_STOPS
    stops: dict[int, float] = field(default_factory=dict)


def light_of(frames: Sequence[int], fields: Sequence[FloatArray]) -> Light:
    """Compare the light of frames.

    Parameters
    ----------
    frames : sequence of int
        Their numbers, in order of depth.
    fields : sequence of ndarray
        Light of each field, 0 to 1, infinite where clipped, as `pixels.light` gives it; all of one shape.
    """
    ratios = _ratios(fields)
    near = np.isfinite(ratios) | np.isinf(ratios)
    told = [place for place in range(len(frames)) if near[place].any()]
    if len(told) < FEWEST_FRAMES:
        return Light(untold=tuple(frames))
    ratios = _without_drift(ratios[np.ix_(told, told)])
    alone = _alone(ratios)
    least = max(LEAST_STOPS, _SIGMAS * _flicker(ratios))
    single = [place for place in range(len(told)) if abs(alone[place]) > least]
    kept = [place for place in range(len(told)) if place not in single]
    found = [_off([frames[told[place]]], alone[place], fields[told[place]]) for place in single]
    for part, stops in _lasting(ratios, kept, least):
        found.append(_off([frames[told[place]] for place in part], stops, fields[told[part[0]]], lasting=True))
    return Light(
        off=tuple(sorted(found, key=lambda one: one.frames)),
        compared=tuple(frames[place] for place in told),
        untold=tuple(number for place, number in enumerate(frames) if place not in told),
        spread_stops=float(max((abs(alone[place]) for place in kept), default=0.0)),
        least_stops=float(least),
        stops={frames[told[place]]: float(stops) for place, stops in enumerate(alone)},
    )


def _off(frames: Sequence[int], stops: float, fields: FloatArray, *, lasting: bool = False) -> Off:
    nothing = float(np.median(fields)) <= _NOISE and stops < 0
    return Off(
        frames=tuple(frames), stops=float(stops) if np.isfinite(stops) else None, at_least=nothing, lasting=lasting
    )


def _ratios(fields: Sequence[FloatArray]) -> FloatArray:
    """Median over the fields of how many stops more frame i got than frame j, for near ones; NaN for others."""
    count = len(fields)
    ratios: FloatArray = np.full((count, count), np.nan)
    logs = np.log2(np.maximum(np.stack(fields).reshape(count, -1), _FLOOR)) if count else np.zeros((0, 0))
    for one in range(count):
        for other in range(one + 1, min(one + 2 * _REACH + 1, count)):
            # of a field clipped in both nobody knows, one clipped in one of them is brighter there by any amount
            lit = (np.maximum(logs[one], logs[other]) > np.log2(_LIT)) & ~(np.isinf(logs[one]) & np.isinf(logs[other]))
            if np.count_nonzero(lit) >= _FEWEST:
                ratio = _median(logs[one][lit] - logs[other][lit])
                ratios[one, other], ratios[other, one] = ratio, -ratio
    return ratios


def _median(values: FloatArray) -> float:
    """The middle one: no mean of two, since one of them may be infinite."""
    return float(np.partition(values, len(values) // 2)[len(values) // 2])


def _beside(row: FloatArray, places: Sequence[int]) -> float:
    """The middle of what a frame has over some others; NaN where it compares with none."""
    values = row[list(places)]
    values = values[~np.isnan(values)]
    if not len(values):
        return np.nan
    low, high = np.sort(values)[[(len(values) - 1) // 2, len(values) // 2]]
    return float(low if low == high else (low + high) / 2)


def _alone(ratios: FloatArray) -> FloatArray:
    """How far each frame is from those on both sides [stops]; 0 where the sides do not agree."""
    count = len(ratios)
    out = np.zeros(count)
    for place in range(count):
        before = range(max(0, place - _REACH), place)
        behind = range(place + 1, min(count, place + _REACH + 1))
        sides = [_beside(ratios[place], side) for side in (before, behind) if len(side)]
        if len(sides) == 1:  # the first and the last: a drift adds up over far frames, not over the next one
            sides.append(_beside(ratios[place], list(behind)[:1] or list(before)[-1:]))
        values = [side for side in sides if not np.isnan(side)]
        if values and (min(values) > 0 or max(values) < 0):
            less, more = min(values, key=abs), max(values, key=abs)
            out[place] = (less + more) / 2 if 2 * abs(less) > abs(more) else less
    return out


def _without_drift(ratios: FloatArray) -> FloatArray:
    """Ratios without what the light changes steadily from frame to frame about each place."""
    count = len(ratios)
    steps = np.array([ratios[place + 1, place] for place in range(count - 1)])
    steady = [_beside(steps, range(max(0, place - _DRIFT), min(count - 1, place + _DRIFT))) for place in range(count)]
    level = np.cumsum(np.nan_to_num(steady, posinf=0.0, neginf=0.0))
    rest: FloatArray = ratios - (level[:, None] - level)
    return rest


def _flicker(ratios: FloatArray) -> float:
    """Standard deviation of the light from frame to frame [stops], without the steps that are off themselves."""
    steps = np.array([ratios[place + 1, place] for place in range(len(ratios) - 1)])
    steps = np.abs(steps[np.isfinite(steps)])
    if len(steps) < 3:
        return 0.0
    usual = max(_MAD * float(np.median(steps)), LEAST_STOPS / _SIGMAS)
    return float(np.sqrt(np.mean(steps[steps <= _SIGMAS * usual] ** 2) / 2))  # each holds the flicker of two frames


def _lasting(ratios: FloatArray, kept: Sequence[int], least: float) -> list[tuple[list[int], float]]:
    """Parts of the stack that got other light than its longest part, and by how many stops."""
    parts, levels, least = [[place] for place in kept[:1]], [0.0], least * _LASTING
    for place, (one, other) in enumerate(pairwise(kept), 1):
        before, behind = kept[max(0, place - _REACH) : place], kept[place : place + _REACH]
        jump = _beside(np.array([_beside(ratios[late], before) for late in behind]), range(len(behind)))
        if abs(ratios[other, one]) > least and abs(jump) > least and jump * ratios[other, one] > 0:
            parts.append([])
            levels.append(levels[-1] + jump)
        parts[-1].append(other)
    if len(parts) < 2:
        return []
    usual = levels[max(range(len(parts)), key=lambda number: len(parts[number]))]
    return [(part, level - usual) for part, level in zip(parts, levels, strict=True) if not abs(level - usual) <= least]
