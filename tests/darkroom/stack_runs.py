"""Rendered stacks as a rail would take them; the estimator is told of a perfect lens of pupil magnification 1."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from darkroom.camera import Body
from darkroom.lens import Lens
from darkroom.scenes import SCENES
from darkroom.stacks import NONE, Faults, Rig, pictures

from stacker.looking.fields import tiles_of
from stacker.optics.beam import Beam
from stacker.optics.contrast import share_kept, target_frequency_lp_mm
from stacker.optics.depth import contrast_depth_um
from stacker.optics.spectrum import Spectrum
from stacker.pixels.energy import directional_energy

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
    directional: np.ndarray  # of the finest band
    planned_um: np.ndarray
    curve: Callable[[np.ndarray, float], np.ndarray]
    steps: np.ndarray  # true, of the planned ones
    at: int | None  # which of them is at fault
    depth: np.ndarray  # of each pixel, in planned steps from the first frame
    lit: np.ndarray  # which pixels show the subject, not a black background
    grey: list[np.ndarray]


@cache
def planned_for(lens: Lens) -> tuple[float, Callable[[np.ndarray, float], np.ndarray]]:
    """Step [um] and through-focus curve by a plan that knows neither the pupil's magnification nor its aberration."""
    f_number = lens.f_number * (1 + lens.magnification)
    beam = Beam(
        effective_f_number=f_number, object_na=lens.magnification / (2 * f_number), spectrum=Spectrum.single(550)
    )
    target = target_frequency_lp_mm(
        effective_f_number=f_number,
        pixel_pitch_um=lens.pitch_um,
        spectrum=beam.spectrum,
        resolved_contrast=0.3,
    )

    def curve(off_um: np.ndarray, per_px: float) -> np.ndarray:
        per_mm = per_px / lens.pitch_um * 1000
        if per_mm * f_number * 550 >= 0.98e6:  # no such detail in focus either
            return np.zeros_like(off_um)
        return share_kept(off_um, frequency_lp_mm=per_mm, beam=beam)

    return (1 - _OVERLAP) * float(contrast_depth_um(0.8, target_lp_mm=float(target), beam=beam)), curve


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
    stands: slice | None = None,
) -> Stack:
    """Render a stack: one frame before the subject's front, one behind its back, less those that `short` leaves out."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{scene} {rig_name} {fault}".encode())])
    rig = RIGS[rig_name]
    step_um, curve = planned_for(rig.lens)
    steps = np.ones(frames - 1)
    at = None
    if fault is not None:
        at = int(rng.integers(4, frames - 5))
        steps[at] = STEPS[fault]
    if stands is not None:  # steps, from 0, at which the rail does not move
        steps[stands] = 0
    planes = np.concatenate([[0], np.cumsum(steps)]) - 1 + short[0] + rng.normal(0, rig.rail_scatter, frames)
    made = SCENES[scene](shape, (frames - 3 + sum(short)) * step_um, rng)
    energies, directions, grey = [], [], []
    for picture in pictures(made, rig, planes * step_um, rng, level_um=step_um / 3, faults=faults):
        each = directional_energy(picture)
        energies.append(tiles_of(each.mean(axis=1)))
        directions.append(tiles_of(each[0]))
        if keep:
            grey.append(picture)
    return Stack(
        energy=np.stack(energies),
        directional=np.stack(directions),
        planned_um=np.arange(frames) * step_um,
        curve=curve,
        steps=np.diff(planes),
        at=at,
        depth=made.surfaces[0][0] / step_um + 1 - short[0],
        lit=made.surfaces[0][1] > 0.01,
        grey=grey,
    )
