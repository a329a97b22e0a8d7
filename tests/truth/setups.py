"""Set-ups for the synthetic bench: each as a person asks for it, and as the bench itself knows it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from truth.bench import Lens, Rig

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus, Weighted
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig, ObjectiveRig, ReversedRig
from stacker.documents.subject import Subject

FINE_PIXELS = Camera(sensor_mm=(23.5, 15.7), pixels=(6000, 4000))  # 3.92 um
COARSE_PIXELS = Camera(sensor_mm=(36, 24), pixels=(4200, 2800))  # 8.57 um
RAIL = RailProfile(  # 0.05 um a microstep: rounding to whole microsteps is seen, and does not spoil the seam
    travel_mm=50,
    soft_limits_mm=(0, 50),
    full_steps_per_turn=200,
    microsteps_per_full_step=100,
    lead_mm=1,
    speed_mm_s=1,
    acceleration_mm_s2=5,
    backlash_um=5,
)


@dataclass(frozen=True, kw_only=True)
class Setup:
    request: Request
    rig: Rig
    tolerance: float = 0.005


def pitch_um(camera: Camera) -> float:
    return camera.sensor_mm[0] * 1000 / camera.pixels[0]


def lens_setup(
    *, f: float, n: float, p: float, m: float, depth_mm: float, camera: Camera = FINE_PIXELS, moves: str = "camera"
) -> Setup:
    """A lens that does not focus, on an extension m f, as far as needed for the magnification m."""
    request = Request(
        moves=moves,
        rig=LensRig(focal_length_mm=f, max_magnification=0, f_number=n, pupil_magnification=p, tubes_mm=(m * f,)),
        camera=camera,
        subject=Subject(depth_mm=depth_mm),
        focus=Focus(end_frames=0),
        rail=RAIL,
    )
    lens = Lens.of(focal_mm=f, f_number=n, pupil_magnification=p)
    return Setup(request=request, rig=Rig(magnification=m, pitch_um=pitch_um(camera), lens=lens, rear=moves == "rear"))


def objective_setup(*, m: float, na: float, depth_mm: float, camera: Camera = FINE_PIXELS, index: float = 1.0) -> Setup:
    """An infinity objective on the tube lens that it is engraved for."""
    request = Request(
        rig=ObjectiveRig(magnification=m, na=na, reference_mm=190, tube_lens_mm=190, immersion_index=index),
        camera=camera,
        subject=Subject(depth_mm=depth_mm),
        focus=Focus(end_frames=0),
        rail=replace(RAIL, motor_turns_per_screw_turn=10),  # 0.005 um: for steps of under a micrometre
    )
    return Setup(request=request, rig=Rig(magnification=m, pitch_um=pitch_um(camera), na=na, index=index))


def reversed_setup(*, f: float, n: float, p: float, m: float, depth_mm: float) -> Setup:
    request = Request(
        rig=ReversedRig(
            focal_length_mm=f, f_number=n, pupil_magnification=p, field_width_mm=FINE_PIXELS.sensor_mm[0] / m
        ),
        camera=FINE_PIXELS,
        subject=Subject(depth_mm=depth_mm),
        focus=Focus(end_frames=0),
        rail=RAIL,
    )
    lens = Lens.of(focal_mm=f, f_number=n, pupil_magnification=p).turned_round()
    return Setup(request=request, rig=Rig(magnification=m, pitch_um=pitch_um(FINE_PIXELS), lens=lens))


def with_focus(setup: Setup, tolerance: float = 0.005, **focus) -> Setup:
    request = replace(setup.request, focus=replace(setup.request.focus, **focus))
    return replace(setup, request=request, tolerance=tolerance)


def in_band(setup: Setup, shortest_nm: float, longest_nm: float) -> Setup:
    """The same in white light: the bench sums nine colours, evenly spaced, where the planner takes five nodes."""
    edges = np.linspace(shortest_nm, longest_nm, 10)
    colours = tuple(((edges[1:] + edges[:-1]) / 2).tolist())
    rig = replace(setup.rig, colours_nm=colours, weights=(1.0,) * 9)
    return replace(with_focus(setup, wavelengths=(shortest_nm, longest_nm)), rig=rig)


def in_colours(setup: Setup, **weight_by_nm: float) -> Setup:
    colours = {float(name.removeprefix("nm")): weight for name, weight in weight_by_nm.items()}
    weighted = tuple(Weighted(nm=nm, weight=weight) for nm, weight in colours.items())
    rig = replace(setup.rig, colours_nm=tuple(colours), weights=tuple(colours.values()))
    return replace(with_focus(setup, wavelengths=weighted), rig=rig)


TELE = lens_setup(f=85, n=5.6, p=0.5, m=1.5, depth_mm=1.1)
WIDE = lens_setup(f=35, n=4, p=1.8, m=3, depth_mm=0.06)

SETUPS: dict[str, Setup] = {
    "0.4x f/2.8, pixels rule": lens_setup(f=60, n=2.8, p=1, m=0.4, depth_mm=0.6),
    "0.25x f/2, coarse pixels": lens_setup(f=100, n=2, p=0.9, m=0.25, depth_mm=2.5, camera=COARSE_PIXELS),
    "2x f/8, diffraction rules": lens_setup(f=50, n=8, p=1, m=2, depth_mm=0.7),
    "1.5x f/5.6, pupil 0.5": TELE,
    "3x f/4, pupil 1.8": WIDE,
    "2.5x f/4 reversed, pupil 1.5": reversed_setup(f=28, n=4, p=1.5, m=2.5, depth_mm=0.08),
    "1.7x f/5.6, rear standard moves": lens_setup(f=75, n=5.6, p=0.8, m=1.7, depth_mm=0.7, moves="rear"),
    "5x NA 0.12": objective_setup(m=5, na=0.12, depth_mm=0.08),
    "20x NA 0.40": objective_setup(m=20, na=0.40, depth_mm=0.008),
    "4x NA 0.1, coarse pixels": objective_setup(m=4, na=0.1, depth_mm=0.16, camera=COARSE_PIXELS),
    "2x f/8, white light": in_band(lens_setup(f=50, n=8, p=1, m=2, depth_mm=0.7), 440, 660),
    "5x NA 0.12, three lamps": in_colours(objective_setup(m=5, na=0.12, depth_mm=0.08), nm460=1, nm530=3, nm625=2),
    "1.5x f/5.6, seam of 0.67": with_focus(
        lens_setup(f=85, n=5.6, p=0.5, m=1.5, depth_mm=1.4), 0.01, seam_contrast=0.67, kept_contrast=0.6
    ),
    "3x f/4, seam of 0.97": with_focus(WIDE, seam_contrast=0.97),
    "1.5x f/5.6, small picture": with_focus(TELE, output_pixels=2000),
}
