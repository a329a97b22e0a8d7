"""Rendered coarse runs through subjects of known height."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from darkroom.scenes import SCENES, Scene
from darkroom.stack_runs import RIGS, planned_for
from darkroom.stacks import pictures

from stacker.looking.fields import tiles_of
from stacker.pixels.energy import energy

SLICES_A_STEP = 2.7  # of a survey: three slices with a tenth of overlap
_OVERLAP = 0.3  # of the steps that `planned_for` tells


@dataclass(frozen=True, kw_only=True)
class Coarse:
    """What the estimator gets, and the mean depth of each tile; lengths in slices of the stack to come."""

    energy: np.ndarray
    planned: np.ndarray
    curve: object
    slice_um: float
    tiles: np.ndarray


def coarse(scene, rig_name, seed, *, deep=60.0, gap=None, begin=-4.0, end=4.0, shape=(300, 450)) -> Coarse:
    """A run from `begin` before the front to `end` behind the back; `gap` (where, how long) parts the subject."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{scene} {rig_name} {gap}".encode())])
    rig = RIGS[rig_name]
    step_um, curve = planned_for(rig.lens)
    slice_um = step_um / (1 - _OVERLAP)
    made = SCENES[scene](shape, deep * slice_um, rng)
    if gap is not None:
        at, long = (value * slice_um for value in gap)
        made = Scene(surfaces=[(np.where(depth < at, depth, depth + long), light) for depth, light in made.surfaces])
        deep += gap[1]
    planned = np.arange(begin, deep + end + SLICES_A_STEP, SLICES_A_STEP)
    true_um = slice_um * (planned + rng.normal(0, rig.rail_scatter * SLICES_A_STEP, len(planned)))
    taken = pictures(made, rig, true_um, rng, level_um=slice_um)
    joined = np.stack([tiles_of(energy(one)) for one in taken])
    rows, columns = joined.shape[2:]
    side = shape[0] // rows // 16 * 16  # a tile is made of whole cells of 16 pixels
    depth = made.surfaces[0][0][: rows * side, : columns * side] / slice_um
    tiles = depth.reshape(rows, side, columns, side).mean(axis=(1, 3))
    return Coarse(
        energy=joined,
        planned=planned,
        curve=curve,
        slice_um=slice_um,
        tiles=tiles,
    )
