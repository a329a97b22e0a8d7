"""Rendered stacks as a rail would take them; the estimator is told of a perfect lens of pupil magnification 1."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from darkroom.camera import Body
from darkroom.lens import Lens
from darkroom.runs import told_of, width_um
from darkroom.scenes import SCENES
from darkroom.stacks import NONE, Faults, Rig, pictures

from stacker.looking.fields import tiles_of
from stacker.pixels.energy import energy

RIGS = {
    "tubes": Rig(
        lens=Lens(
            magnification=1.04,
            f_number=4,
            pupil_magnification=1.2,
            spherical_waves=0.15,
            pitch_um=3.9,
            pupil_mm=180,
        )
    ),
    "reversed": Rig(
        lens=Lens(
            magnification=2.5,
            f_number=4,
            pupil_magnification=0.75,
            spherical_waves=-0.25,
            pitch_um=3.9,
            pupil_mm=60,
        ),
        body=Body(quality=85),
    ),
    "telecentric": Rig(  # numerical aperture 0.28
        lens=Lens(magnification=10, f_number=17.9 / 11, spherical_waves=0.2, pitch_um=4.4), vignetting=0.1
    ),
    "bellows": Rig(
        lens=Lens(
            magnification=5,
            f_number=2.8,
            pupil_magnification=1.1,
            spherical_waves=0.3,
            pitch_um=4.4,
            pupil_mm=45,
        ),
        body=Body(quality=95, full_well_e=15_000),
    ),
    "half": Rig(
        lens=Lens(
            magnification=0.5,
            f_number=5.6,
            pupil_magnification=0.9,
            spherical_waves=0.1,
            pitch_um=5.9,
            pupil_mm=250,
        ),
        mosaic=True,
    ),
}
STEPS = {"stall": 0.0, "half": 0.5, "one and a half": 1.5, "double": 2.0, "triple": 3.0}
_OVERLAP = 0.3  # as plans have it


@dataclass(frozen=True, kw_only=True)
class Stack:
    """What the estimator gets, and what it should find."""

    energy: np.ndarray
    planned_um: np.ndarray
    curve: Callable[[np.ndarray, float], np.ndarray]
    steps: np.ndarray  # true, of the planned ones
    at: int | None  # which of them is at fault
    depth: np.ndarray  # of each pixel, in planned steps from the first frame
    grey: list[np.ndarray]


def shot(
    scene: str,
    rig_name: str,
    seed: int,
    *,
    fault: str | None = None,
    frames: int = 28,
    shape: tuple[int, int] = (400, 600),
    short: tuple[int, int] = (0, 0),
    faults: Faults = NONE,
    keep: bool = False,
) -> Stack:
    """Render a stack: one frame before the subject's front, one behind its back, less those that `short` leaves out."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{scene} {rig_name} {fault}".encode())])
    rig = RIGS[rig_name]
    told = told_of(rig.lens)
    most = 0.494 * rig.lens.pitch_um / (rig.lens.wavelength_um * told.effective_f_number)
    step_um = (1 - _OVERLAP) * width_um(told, told.effective_f_number, min(told.target_per_px, most))
    steps = np.ones(frames - 1)
    at = None
    if fault is not None:
        at = int(rng.integers(4, frames - 5))
        steps[at] = STEPS[fault]
    planes = np.concatenate([[0], np.cumsum(steps)]) - 1 - short[0] + rng.normal(0, rig.rail_scatter, frames)
    made = SCENES[scene](shape, (frames - 3 + sum(short)) * step_um, rng)
    energies, grey = [], []
    for picture in pictures(made, rig, planes * step_um, rng, level_um=step_um / 3, faults=faults):
        energies.append(tiles_of(energy(picture)))
        if keep:
            grey.append(picture)
    return Stack(
        energy=np.stack(energies),
        planned_um=np.arange(frames) * step_um,
        curve=lambda off_um, per_px: told.share(np.asarray(off_um), told.effective_f_number, per_px),
        steps=np.diff(planes),
        at=at,
        depth=made.surfaces[0][0] / step_um + 1 + short[0],
        grey=grey,
    )
