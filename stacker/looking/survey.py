"""From a coarse run through a subject: where it begins, where it ends, and which depths hold nothing.

Detail alone shows depth. What is smooth, dark or out of the field is not seen, and nothing here denies it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stacker.looking.fields import TRIED, Fields, fields_of
from stacker.looking.seen import Seen
from stacker.looking.through_focus import BandCurve, Curve, FloatArray, band_curves

FEWEST_FRAMES = 5
_FEWEST_TILES = 40
_ALIKE = 0.85  # share of a tile's variance that one rise and fall explains
_NEIGHBOURS = 1.5  # steps: relief between two tiles side by side, where one surface goes on
_FRONTMOST = 3  # tiles: fewer at one end may be noise
_MARGIN = 0.25
"""Of a step, outward: a tile's depth is told to about a tenth, and what is within it may lie nearer or deeper."""
_GAP_MARGIN = 1.0
"""Of a step, inward: on the edge of a gap a tile shows both sides of it, and tells neither."""
_FEWEST_FOLLOWING = 0.25  # of the tiles with detail: fewer, and there is detail at several depths behind one another


@dataclass(frozen=True, kw_only=True, slots=True)
class Survey:
    """What a coarse run tells of a subject; depths as planned for that run [um].

    Parameters
    ----------
    front_um, back_um : float or None
        Nearest and farthest detail, with a margin outward; None where nothing can be told.
    gaps_um : tuple of (float, float)
        Depths between them that hold no detail, longer than asked, with a margin inward.
    before_first, beyond_last : bool
        Whether there is detail that is sharpest at or outside of the first or last plane: the subject may go on there.
    depth_um : ndarray, shape (rows, columns)
        Where each tile is sharpest; NaN where it does not tell.
    reason : str or None
        Why nothing can be told, in words that go on after "cannot tell, because".
    """

    front_um: float | None
    back_um: float | None
    gaps_um: tuple[tuple[float, float], ...]
    before_first: bool
    beyond_last: bool
    depth_um: FloatArray
    reason: str | None = None

    @property
    def told(self) -> float:
        """Share of the picture that tells its depth."""
        return float(np.isfinite(self.depth_um).mean())


def surveyed(
    seen: Mapping[int, Seen],
    focus_um: Mapping[int, float],
    curve_of: Callable[[tuple[int, int]], Curve],
    *,
    least_gap_um: float,
) -> tuple[Survey, int]:
    """Find where a subject lies from the frames that could be looked into.

    Parameters
    ----------
    seen : mapping of int to Seen
        What the picture of each frame shows.
    focus_um : mapping of int to float
        Planned depth of each frame [um].
    curve_of : callable
        The plan's through-focus curve for pictures of so many rows and columns.
    least_gap_um : float
        Shorter gaps are none [um].

    Returns
    -------
    Survey
    int
        How many frames it rests on: those of the size that most have.
    """
    good = {frame: one for frame, one in seen.items() if one.fault is None}
    if not good:
        return _nothing(np.full((1, 1), np.nan), "no picture could be laid beside a frame and looked into"), 0
    (usual, _), *_ = Counter(one.sizes for one in good.values()).most_common(1)
    order = sorted((frame for frame, one in good.items() if one.sizes == usual), key=lambda frame: focus_um[frame])
    energy = np.stack([good[frame].fine for frame in order])
    planned_um = np.array([focus_um[frame] for frame in order])
    return survey_of(energy, planned_um, curve_of(good[order[0]].pixels), least_gap_um=least_gap_um), len(order)


def survey_of(energy: NDArray[np.floating], planned_um: FloatArray, curve: Curve, *, least_gap_um: float) -> Survey:
    """Find where a subject lies.

    Parameters
    ----------
    energy : ndarray, shape (frames, bands, rows, columns)
        `fields.tiles_of` of each picture's `pixels.energy`, in order of depth.
    planned_um : ndarray, shape (frames,)
        Planes of focus, rising [um].
    curve : callable
        As for `planes`.
    least_gap_um : float
        Shorter gaps are none [um].
    """
    blank = np.full(energy.shape[2:], np.nan)
    if len(planned_um) < FEWEST_FRAMES:
        return _nothing(blank, f"fewer than {FEWEST_FRAMES} frames can be looked into")
    step_um = float(np.median(np.diff(planned_um)))
    at = (planned_um - planned_um[0]) / step_um
    curves = band_curves(curve, step_um)
    fields, details = fields_of(energy, at, curves)
    detailed = max(details, key=lambda detail: detail.count)
    if len(np.unique(fields.place)) < _FEWEST_TILES:
        return _nothing(blank, "hardly any part of the picture has detail that comes and goes with focus")
    if detailed.following < _FEWEST_FOLLOWING:
        return _nothing(blank, "most detail does not rise and fall once: it lies at several depths behind one another")
    depth = _map(fields, _refined(fields, at, curves), blank.shape)
    half = _half_relief(depth)
    if np.isfinite(half).sum() < _FEWEST_TILES:
        return _nothing(blank, "hardly any part of the picture has detail that comes and goes with focus")
    # What is nearer hides what lies behind it: a tile tells its nearest part, and not how far back the rest goes.
    front = _nth(np.where(np.isnan(half), np.nan, depth), _FRONTMOST) - _MARGIN
    back = -_nth(-depth - half, _FRONTMOST) + _MARGIN
    every = np.sort(depth[np.isfinite(depth)])  # for a gap, a single tile counts: better frames too many
    inside = every[(every >= front) & (every <= back)]
    edges = [
        (low + _GAP_MARGIN, high - _GAP_MARGIN)
        for low, high in pairwise(inside)
        if (high - low - 2 * _GAP_MARGIN) * step_um > least_gap_um
    ]
    first, step = float(planned_um[0]), step_um
    return Survey(
        front_um=first + float(front) * step,
        back_um=first + float(back) * step,
        gaps_um=tuple((first + float(low) * step, first + float(high) * step) for low, high in edges),
        before_first=bool(front < 0),
        beyond_last=bool(back > at[-1]),
        depth_um=first + depth * step,
    )


def _nothing(blank: FloatArray, reason: str) -> Survey:
    return Survey(
        front_um=None, back_um=None, gaps_um=(), before_first=False, beyond_last=False, depth_um=blank, reason=reason
    )


def _refined(fields: Fields, at: FloatArray, curves: tuple[BandCurve, ...]) -> FloatArray:
    """Depths between those that were tried: the top of a parabola through the likeness at three of them [steps]."""
    rest = fields.energy - fields.energy.mean(axis=0)
    likeness = np.empty((3, len(fields.depth)))
    for band in np.unique(fields.band):
        mine = np.flatnonzero(fields.band == band)
        for k, off in enumerate((-TRIED, 0.0, TRIED)):
            displacement = (at[:, None] - fields.depth[mine] - off) / np.exp(fields.log_width[mine])
            template, _ = curves[band].at(displacement)
            template -= template.mean(axis=0)
            template /= np.maximum(np.sqrt((template**2).sum(axis=0)), 1e-9)
            likeness[k, mine] = (template * rest[:, mine]).sum(axis=0)
    before, middle, after = likeness
    bend = np.minimum(before - 2 * middle + after, -1e-12)
    refined: FloatArray = fields.depth + TRIED * np.clip((before - after) / (2 * bend), -1, 1)
    return refined


def _map(fields: Fields, depth: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Of each tile the depth of the band that is most like its curve."""
    tiles = np.full(int(np.prod(shape)), np.nan)
    sure = np.flatnonzero(fields.likeness > _ALIKE)
    order = sure[np.argsort(fields.likeness[sure])]
    tiles[fields.place[order]] = depth[order]  # the last one written stays
    return tiles.reshape(shape)


def _half_relief(depth: FloatArray) -> FloatArray:
    """How far what is seen in a tile may lie behind its middle: half of what its neighbours differ by.

    NaN where no neighbour lies at about the same depth: what stands alone may be noise.
    """
    rows, columns = depth.shape
    around = np.pad(depth, 1, constant_values=np.nan)
    differences = [
        np.abs(around[row : row + rows, column : column + columns] - depth)
        for row, column in np.argwhere(np.ones((3, 3)))
        if (row, column) != (1, 1)
    ]
    near = np.where(np.array(differences) < _NEIGHBOURS, differences, np.nan)
    alone = np.isnan(near).all(axis=0)
    near[0, alone] = 0.0
    return np.where(alone, np.nan, np.nanmedian(near, axis=0) / 2)


def _nth(values: FloatArray, rank: int) -> float:
    """The smallest but so many, those that are not known left out."""
    return float(np.sort(values[np.isfinite(values)])[rank - 1])
