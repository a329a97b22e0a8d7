"""A lens measured by a slanted edge on raw greens: the width of its slice, its contrast in focus."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.focus_curve import FloatArray, FocusCurve, fit_focus_curve
from stacker.calibrating.lens import (
    FEWEST_FRAMES,
    KEEPS,
    LensFound,
    Told,
    f_number_of,
    lens_found,
    refuse_few,
    refuse_run,
)
from stacker.errors import Refusal
from stacker.pixels.edge import Edge, edge_contrast

_DETAILS = (1.0, 0.85, 0.7, 0.5)  # of the finest that counts
_MOST_MARGIN = 0.10  # of the f-number, at 95 %
_NEAREST = 3  # frames next to focus that tell the contrast there
_EDGE_ERROR = 0.012  # frames of one edge share its flaws and the grid it falls on (by rendering)


def measure_edge(
    frames: Iterable[tuple[NDArray[np.floating], NDArray[np.bool_]]], positions_um: ArrayLike, told: Told
) -> LensFound:
    """The width of the slice and the contrast in focus, from a slanted edge on raw greens.

    Parameters
    ----------
    frames : iterable of (ndarray, ndarray of bool)
        Area about the edge in each frame, and which of its sites count.
    positions_um : array_like, shape (frames,)
        Rail positions in order of depth [um].
    told : Told

    Raises
    ------
    Refusal
        When the edge cannot be measured in focus, the run does not reach through it, or the curve is no lens's.
    """
    at_um = np.asarray(positions_um, dtype=np.float64)
    refuse_few(at_um)
    sharp, some = _edges_of(frames)
    where = at_um[some]
    nu = min(told.target_per_px, 0.5)
    details = nu * np.array(_DETAILS)
    contrast = np.array([np.interp(details, edge.frequency, edge.contrast) for edge in sharp]).T
    pairs = np.array([(i, i) for i in range(len(some))])
    curve = fit_focus_curve(
        contrast[None, :, :] ** 2,
        pairs,
        where,
        curves=[told.curve(one, nu) for one in details],
        guess=told.effective_f_number,
    )
    refuse_run(curve, where, told, nu)
    f_number = f_number_of(curve, told)
    margin = f_number.margin / f_number.value
    if margin > _MOST_MARGIN:
        raise Refusal(
            f"cannot tell: the edge leaves the f-number uncertain by {margin:.0%}; more light, more frames, or a "
            "sharper edge",
            code="unlike",
        )
    mtf50 = _falls_to(0.5, sharp, where, curve, told, nu)
    finest = _falls_to(told.resolved_contrast, sharp, where, curve, told, nu)
    contrast_found = mtf50, min(finest.value, 500 / told.pixel_pitch_um)
    return lens_found(curve, contrast[None, 0] ** 2, pairs, where, told, nu, contrast=contrast_found, field=None)


def _edges_of(frames: Iterable[tuple[NDArray[np.floating], NDArray[np.bool_]]]) -> tuple[list[Edge], list[int]]:
    """The edges of the frames that show one clearly enough, and which they are."""
    edges: list[Edge | None] = []
    refusals: list[Refusal] = []
    for sites, seen in frames:
        try:
            edges.append(edge_contrast(sites.astype(np.float64), seen))
        except Refusal as refusal:  # far out of focus there is no edge any more
            edges.append(None)
            refusals.append(refusal)
    some = [place for place, edge in enumerate(edges) if edge is not None]
    if not some:
        raise refusals[len(refusals) // 2]  # of the frame nearest to the middle of the run
    if len(some) < FEWEST_FRAMES:
        raise Refusal(
            f"only {len(some)} of {len(edges)} frames show the edge clearly enough; the others: {refusals[0]}. Take "
            "smaller steps about focus",
            code="few_frames",
        )
    return [edge for edge in edges if edge is not None], some


def _falls_to(
    level: float, edges: list[Edge], positions_um: FloatArray, curve: FocusCurve, told: Told, nu: float
) -> Estimate:
    """Frequency of some contrast in focus, from the frames near it, what little they are defocused undone."""
    focus_um = float(curve.focus_um[0])
    nearest = np.argsort(np.abs(positions_um - focus_um))[:_NEAREST]
    found = []
    for place in nearest:
        edge = edges[place]
        near = slice(1, 2 + int(np.argmax(edge.contrast < level * KEEPS)))
        frequency, contrast = edge.frequency[near], edge.contrast[near]
        away = np.array([positions_um[place] - focus_um])
        kept = np.array([told.curve(one, nu)(away, curve.shape)[0] for one in frequency])
        sharp = np.where(kept > KEEPS, contrast / np.maximum(kept, KEEPS), 0.0)
        below = int(np.argmax(sharp < level))
        if below == 0:
            continue
        low, high = sharp[below - 1], sharp[below]
        found.append(frequency[below - 1] + (low - level) / (low - high) * (frequency[below] - frequency[below - 1]))
    if len(found) < 2:
        raise Refusal(f"cannot tell where contrast falls to {level:g}: take smaller steps about focus", code="no_mtf50")
    in_lp_mm = 1000 / told.pixel_pitch_um * np.array(found)
    scatter = float(np.std(in_lp_mm, ddof=1)) / math.sqrt(len(found))
    value = float(np.mean(in_lp_mm))
    return Estimate(value=value, standard_error=math.hypot(scatter, _EDGE_ERROR * value))
