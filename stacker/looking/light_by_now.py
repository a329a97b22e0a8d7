"""The light of the pictures taken so far: which frame is dark or half lit for sure, while the run still goes on.

A frame is told only once frames behind it have been looked at; what is told is what `light` would tell of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from stacker.looking.light import DARK_STOPS, light_of

FloatArray: TypeAlias = NDArray[np.floating]

AGAIN_STOPS = 0.6  # half the light is one stop, a third of a stop is no reason to go back while the run goes on
IN_A_ROW = 3  # dark frames behind one another: no misfire, a flash that no longer fires
_NEAR = 10  # frame numbers: farther ones show another part of the subject
_LIT_ONES = 3
_LIT, _FLOOR, _FEWEST = 0.004, 2.0**-12, 12  # as `light` takes them


@dataclass(frozen=True, kw_only=True, slots=True)
class Lit:
    """What the light tells by now.

    Parameters
    ----------
    under : dict of int to float
        Frames with too little light, and by how many stops.
    compared : frozenset of int
        Frames that could be held against frames on both sides, or at the front against those behind.
    in_a_row : tuple of int
        The last frames taken, if all of them are dark.
    """

    under: dict[int, float] = field(default_factory=dict)
    compared: frozenset[int] = frozenset()
    in_a_row: tuple[int, ...] = ()


def light_by_now(taken: Sequence[int], fields: Mapping[int, FloatArray]) -> Lit:
    """Hold the frame taken last, and those near it, against one another.

    Parameters
    ----------
    taken : sequence of int
        Frames in the order in which they were exposed; a frame taken again stands where it was taken last.
    fields : mapping of int to ndarray
        Light of each, of its last exposure, as `pixels.light` gives it; all of one shape.
    """
    last = taken[-1]
    near = sorted(frame for frame in taken if abs(frame - last) <= _NEAR)
    row = tuple(taken[-IN_A_ROW:])
    lit = [fields[frame] for frame in near if frame not in row]
    enough = len(lit) >= _LIT_ONES and set(row) <= set(near)
    if enough and all(_under(fields[frame], lit) > DARK_STOPS for frame in row):
        return Lit(in_a_row=row)
    light = light_of(near, [fields[frame] for frame in near])
    open_ended = max(near)  # nothing behind it yet
    under = {
        off.frames[0]: -off.stops
        for off in light.off
        if not off.lasting and off.stops is not None and off.stops < -AGAIN_STOPS and off.frames[0] != open_ended
    }
    return Lit(under=under, compared=frozenset(light.compared) - {open_ended})


def _under(dark: FloatArray, lit: Sequence[FloatArray]) -> float:
    """How many stops a frame is under the middle of others; minus infinity where the subject is too dark to tell."""
    middle = np.median(np.stack(lit), axis=0)
    told = (middle > _LIT) & np.isfinite(middle) & np.isfinite(dark)
    if np.count_nonzero(told) < _FEWEST:
        return -np.inf
    return float(np.median(np.log2(middle[told]) - np.log2(np.maximum(dark[told], _FLOOR))))
