"""Lenses that are not what their request says: a run is rendered and measured, and the stack planned anew photographed.

The measuring run is rendered by `darkroom`, the stack by `bench`; neither shares anything with the program or with the
other. Run as a program it prints the table of README.md.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from darkroom import lens as rendered
from darkroom.camera import Body, developed, mosaic_of, through_jpeg
from darkroom.runs import middle_of
from truth.bench import Lens, Rig, seams
from truth.setups import FINE_PIXELS, RAIL, pitch_um

from stacker.calibrating.edge import measure_edge
from stacker.calibrating.lens import LensFound, width_um
from stacker.calibrating.texture import cut_tiles, measure_texture
from stacker.cli.lens_lines import at_planned_detail, request_lines, told_of, with_lines
from stacker.documents.focus import Focus
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig
from stacker.documents.subject import Subject
from stacker.errors import Refusal
from stacker.planning.draft import draft_of

WAYS = ("texture", "edge")
BODY = Body()


@dataclass(frozen=True, kw_only=True)
class Real:
    """A lens as it is; the request knows focal length, f-number and magnification alone."""

    focal_mm: float
    f_number: float
    magnification: float
    pupil: float
    waves: float
    depth_mm: float

    @property
    def name(self) -> str:
        return f"{self.magnification:g}x f/{self.f_number:g}, pupil {self.pupil:g}, {self.waves:g} waves"

    @property
    def request(self) -> Request:
        rig = LensRig(
            focal_length_mm=self.focal_mm,
            max_magnification=0,
            f_number=self.f_number,
            tubes_mm=(self.focal_mm * self.magnification,),
        )
        return Request(
            rig=rig,
            camera=FINE_PIXELS,
            subject=Subject(depth_mm=self.depth_mm),
            focus=Focus(end_frames=0),
            rail=replace(RAIL, motor_turns_per_screw_turn=10),
        )

    @property
    def rig(self) -> Rig:
        lens = Lens.of(focal_mm=self.focal_mm, f_number=self.f_number, pupil_magnification=self.pupil)
        return Rig(
            magnification=self.magnification,
            pitch_um=pitch_um(FINE_PIXELS),
            lens=lens,
            spherical_waves=self.waves,
        )

    @property
    def darkroom(self) -> rendered.Lens:
        return rendered.Lens(
            magnification=self.magnification,
            f_number=self.f_number,
            pupil_magnification=self.pupil,
            spherical_waves=self.waves,
            pitch_um=pitch_um(FINE_PIXELS),
        )


REAL = [
    Real(focal_mm=60, f_number=4, magnification=1, pupil=0.7, waves=0.5, depth_mm=0.6),
    Real(focal_mm=35, f_number=4, magnification=2.5, pupil=0.7, waves=1.0, depth_mm=0.2),
    Real(focal_mm=60, f_number=5.6, magnification=1, pupil=1.4, waves=1.0, depth_mm=0.6),
    Real(focal_mm=35, f_number=2.8, magnification=2.5, pupil=1.4, waves=0.5, depth_mm=0.1),
    Real(focal_mm=100, f_number=4, magnification=0.5, pupil=2.0, waves=1.0, depth_mm=1.5),
    Real(focal_mm=20, f_number=2.8, magnification=5, pupil=2.0, waves=0.5, depth_mm=0.03),
]


def measured(real: Real, way: str, seed: int) -> tuple[Request, LensFound]:
    """The request with what `calibrate lens --write` would put into it."""
    asked = real.request
    try:
        found = at_planned_detail(asked, _run(real, way, seed))
    except Refusal as refusal:
        if refusal.code != "coarse_steps":
            raise
        found = at_planned_detail(asked, _run(real, way, seed, finer=2.5))  # as the message tells a person to do
    return with_lines(asked, request_lines(asked, found)), found


def _run(real: Real, way: str, seed: int, finer: float = 1.0) -> LensFound:
    told = told_of(real.request)
    rng = np.random.default_rng(seed)
    frames, step = (13, 0.3) if way == "texture" else (17, 0.2)
    slice_um = width_um(told, told.effective_f_number, min(told.target_per_px, 0.5)) / finer
    sent = (np.arange(frames) - (frames - 1) / 2) * slice_um * step
    went = sent + rng.normal(0, 0.01 * slice_um, frames)
    focus_at_um = rng.uniform(-0.3, 0.3) * slice_um
    if way == "edge":
        scenes = rendered.slanted_edge(real.darkroom, (260, 360)).frames(went, focus_at_um=focus_at_um)
        return measure_edge([middle_of(mosaic_of(scene, BODY, rng)) for scene in scenes], sent, told)
    scenes = rendered.texture(real.darkroom, (384, 512), rng).frames(went, focus_at_um=focus_at_um)
    pictures = [through_jpeg(developed(mosaic_of(scene, BODY, rng), BODY), 92) for scene in scenes]
    return measure_texture(cut_tiles(pictures), sent, told, most=255)


def worst_seam(real: Real, asked: Request, frames: int = 3) -> tuple[float, float, int]:
    """The share that the softest of the first seams keeps, what the plan promised of it, frames of the plan."""
    draft = draft_of(asked)
    rail_um = [float(place) for place in draft.planes.rail_um[:frames]]
    found = np.array([seam.softest for seam in seams(real.rig, rail_um)])
    promised = draft.seam_contrast[: len(found)]
    at = int(np.argmax(np.abs(found - promised)))
    return float(found[at]), float(promised[at]), draft.planes.frame_count


def rows() -> Iterator[tuple[Real, str, float, float, int]]:
    """Lens, what the plan was made from, the share that seams keep, the share that was promised, frames."""
    for number, real in enumerate(REAL):
        yield real, "as marked", *worst_seam(real, real.request)
        for way in WAYS:
            yield real, way, *worst_seam(real, measured(real, way, 7_000 + number)[0])


def table() -> Iterator[str]:
    """The rows of README.md."""
    yield "| lens | plan made from | frames | promised | kept | off by |"
    yield "| --- | --- | ---: | ---: | ---: | ---: |"
    for real, way, kept, promised, frames in rows():
        yield f"| {real.name} | {way} | {frames} | {promised:.3f} | {kept:.3f} | {kept - promised:+.3f} |"


if __name__ == "__main__":
    for line in table():
        print(line, flush=True)
