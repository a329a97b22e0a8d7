"""Whether the frames reach as far as the subject does: fields that are still getting sharper at the first or last."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.looking.fields import ALIKE, BoolArray, curves_of, detail_of, matched, too_little
from stacker.looking.through_focus import Curve, FloatArray, band_curves

FEWEST_FRAMES = 6
_TRIED = 5.0  # steps beyond the ends
_AT_THE_END = 0.1  # steps; depths are tried farther apart, and one at the last frame lies there or behind it
_FAINT = 0.06  # of the middle one of energies: fainter is often what shines in from beside


@dataclass(frozen=True, kw_only=True, slots=True)
class Reach:
    """Fields by where they are sharpest, each shape (rows, columns).

    Parameters
    ----------
    inside : ndarray of bool
        Between the first frame and the last one.
    before, beyond : ndarray of bool
        Still getting sharper at the first frame, at the last one.
    reason : str or None
        Why nothing can be told, in words that go on after "cannot tell, because".

    Notes
    -----
    Fields that are none of the three have no detail that tells.
    """

    inside: BoolArray
    before: BoolArray
    beyond: BoolArray
    reason: str | None = None


def reach_of(energy: NDArray[np.floating], planned_um: FloatArray, curve: Curve) -> Reach:
    """Find the fields that the frames do not reach.

    Parameters
    ----------
    energy, planned_um, curve
        As `planes.planes` takes them.

    Notes
    -----
    The finest band in which a field's detail comes and goes like the plan's curve decides. Of one that lies a few steps
    behind the last frame only coarse detail shows: the farther from focus, the coarser what is left. A field that is
    sharpest between the ends in any band is never beyond them: hair in front of a background has both.
    """
    none = np.zeros(energy.shape[2:], dtype=np.bool_)
    usable = np.isfinite(energy).all(axis=(1, 2, 3)) & (energy.max(axis=(1, 2, 3), initial=0) > 0)
    if np.count_nonzero(usable) < FEWEST_FRAMES:
        few = f"fewer than {FEWEST_FRAMES} frames can be looked into"
        return Reach(inside=none, before=none.copy(), beyond=none.copy(), reason=few)
    step_um = float(np.median(np.diff(planned_um)))
    at = (planned_um[usable] - planned_um[0]) / step_um
    depth, within, details = np.full(none.size, np.nan), none.ravel().copy(), []
    for band, shape in enumerate(band_curves(curve, step_um)):
        values, detailed = curves_of(energy[usable, band])
        place = np.flatnonzero(detailed)
        fields = matched(values[:, place], at, shape, place, band, beyond=_TRIED)
        details.append(detail_of(fields))
        sharpest = values.argmax(axis=0)
        within |= detailed & (sharpest > 0) & (sharpest < len(at) - 1)
        largest = energy[usable, band].max(axis=0).ravel()[place]
        farthest = (fields.depth < at[0] - _TRIED + 0.1) | (fields.depth > at[-1] + _TRIED - 0.1)
        alike = (fields.likeness > ALIKE) & ~farthest & np.isnan(depth[place])
        alike &= largest > _FAINT * (np.median(largest) if len(place) else 0.0)
        depth[place[alike]] = fields.depth[alike]
    if reason := too_little(tuple(details)):
        return Reach(inside=none, before=none.copy(), beyond=none.copy(), reason=reason)
    before, beyond = (depth < at[0] + _AT_THE_END) & ~within, (depth > at[-1] - _AT_THE_END) & ~within
    inside = (depth >= at[0]) & (depth <= at[-1]) & ~before & ~beyond
    return Reach(
        inside=inside.reshape(none.shape), before=before.reshape(none.shape), beyond=beyond.reshape(none.shape)
    )
