"""A lens measured by a slanted edge on raw greens: the width of its slice, its contrast in focus."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.focus_curve import FloatArray, FocusCurve, fit_focus_curve
from stacker.calibrating.lens import FEWEST_FRAMES, KEEPS, LensFound, Told, lens_found, refuse_few, refuse_run
from stacker.errors import Refusal
from stacker.pixels.edge import Edge, edge_contrast

_MOST_MARGIN = 0.10  # of the f-number, at 95 %
_NEAREST = 3  # frames next to focus that tell the contrast there
_EDGE_ERROR = 0.015  # frames of one edge share its flaws and the grid it falls on (by rendering)


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
    nu = min(told.target_per_px, 0.5)
    contrast = np.array([np.interp(nu, edges[i].frequency, edges[i].contrast) for i in some])  # type: ignore[union-attr]
    where = at_um[some]
    pairs = np.array([(i, i) for i in range(len(some))])
    curve = fit_focus_curve(
        contrast[None, :] ** 2,
        pairs,
        where,
        curve=lambda away_um, f_number: told.share(away_um, f_number, nu),
        guess=told.effective_f_number,
    )
    refuse_run(curve, where, told, nu)
    margin = curve.effective_f_number.margin / curve.effective_f_number.value
    if margin > _MOST_MARGIN:
        raise Refusal(
            f"cannot tell: the edge leaves the f-number uncertain by {margin:.0%}; more light, more frames, or a "
            "sharper edge",
            code="unlike",
        )
    sharp = [edge for edge in (edges[i] for i in some) if edge is not None]
    mtf50 = _mtf50(sharp, where, curve, told)
    return lens_found(curve, contrast[None, :] ** 2, pairs, where, told, nu, mtf50=mtf50, field=None)


def _mtf50(edges: list[Edge], positions_um: FloatArray, curve: FocusCurve, told: Told) -> Estimate:
    """Frequency of contrast one half in focus, from the frames near it, what little they are defocused undone."""
    f_number, focus_um = curve.effective_f_number.value, float(curve.focus_um[0])
    nearest = np.argsort(np.abs(positions_um - focus_um))[:_NEAREST]
    found = []
    for place in nearest:
        edge = edges[place]
        frequency, contrast = edge.frequency[1:], edge.contrast[1:]
        away = np.array([positions_um[place] - focus_um])
        kept = np.array([told.share(away, f_number, nu)[0] for nu in frequency])
        sharp = np.where(kept > KEEPS, contrast / np.maximum(kept, KEEPS), 0.0)
        below = int(np.argmax(sharp < 0.5))
        if below == 0:
            continue
        low, high = sharp[below - 1], sharp[below]
        found.append(frequency[below - 1] + (low - 0.5) / (low - high) * (frequency[below] - frequency[below - 1]))
    if len(found) < 2:
        raise Refusal("cannot tell where contrast falls to one half: take smaller steps about focus", code="no_mtf50")
    in_lp_mm = 1000 / told.pixel_pitch_um * np.array(found)
    scatter = float(np.std(in_lp_mm, ddof=1)) / math.sqrt(len(found))
    value = float(np.mean(in_lp_mm))
    return Estimate(value=value, standard_error=math.hypot(scatter, _EDGE_ERROR * value))
