"""Runs through focus of rendered targets, and what the estimator is told of the lens: not its pupil, nor its faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from darkroom.camera import Body, developed, mosaic_of, through_jpeg
from darkroom.lens import Lens, slanted_edge, texture

from stacker.calibrating.edge import measure_edge
from stacker.calibrating.focus_curve import Shape
from stacker.calibrating.lens import LensFound, Told, f_number_of, width_um
from stacker.calibrating.texture import cut_tiles, measure_texture
from stacker.optics.contrast import target_frequency_lp_mm
from stacker.optics.spectrum import Spectrum

GREEN = Spectrum.single(550)
GOOD = Body()
SHAPE = (384, 512)
STEP = 0.3  # of a slice, as a plan of the request as it stands would step


def told_of(lens: Lens, f_number: float | None = None) -> Told:
    """A perfect lens of pupil magnification 1, or of an effective f-number."""
    f_number = f_number or lens.f_number * (1 + lens.magnification)
    target = target_frequency_lp_mm(
        effective_f_number=f_number, pixel_pitch_um=lens.pitch_um, spectrum=GREEN, resolved_contrast=0.3
    )
    return Told(
        magnification=lens.magnification,
        effective_f_number=f_number,
        pixel_pitch_um=lens.pitch_um,
        spectrum=GREEN,
        index=1.0,
        target_lp_mm=float(target),
        planned_lp_mm=float(target),
        resolved_contrast=0.3,
    )


def positions_um(
    lens: Lens, frames: int, rng: np.random.Generator, *, step: float = STEP, scatter: float = 0.01
) -> tuple[np.ndarray, np.ndarray, float]:
    """Where the rail was sent, where it went, and the slice by the request [um]."""
    told = told_of(lens)
    slice_um = width_um(told, told.effective_f_number, min(told.target_per_px, 0.5))
    sent = (np.arange(frames) - (frames - 1) / 2) * slice_um * step
    return sent, sent + rng.normal(0, scatter * slice_um, frames), slice_um


def by_texture(
    lens: Lens,
    seed: int,
    *,
    body: Body = GOOD,
    frames: int = 13,
    step: float = STEP,
    grain_px: float = 1.0,
    off: float = 0.3,
    contrast: float = 1.0,
    shape: tuple[int, int] = SHAPE,
) -> LensFound:
    """A flat texture through developed JPEGs."""
    rng = np.random.default_rng(seed)
    sent, went, slice_um = positions_um(lens, frames, rng, step=step)
    target = texture(lens, shape, rng, grain_px=grain_px, contrast=contrast)
    scenes = target.frames(went, focus_at_um=rng.uniform(-1, 1) * 0.3 * slice_um + (off - 0.3) * slice_um)
    pictures = [through_jpeg(developed(mosaic_of(scene, body, rng), body), body.quality or 95) for scene in scenes]
    return as_planned(lens, measure_texture(cut_tiles(pictures), sent, told_of(lens), most=255))


def as_planned(lens: Lens, found: LensFound) -> LensFound:
    """The f-number for the detail at which a plan with what was found holds its slices, as the command writes it."""
    again = told_of(lens, found.effective_f_number.value)
    return replace(found, effective_f_number=f_number_of(found.curve, again, found.finest_lp_mm))


def by_edge(
    lens: Lens, seed: int, *, body: Body = GOOD, frames: int = 13, step: float = STEP, angle_deg: float = 5.0
) -> LensFound:
    """A slanted edge on raw greens."""
    rng = np.random.default_rng(seed)
    sent, went, slice_um = positions_um(lens, frames, rng, step=step)
    scenes = slanted_edge(lens, (480, 420), angle_deg=angle_deg).frames(
        went, focus_at_um=rng.uniform(-0.3, 0.3) * slice_um
    )
    areas = [middle_of(mosaic_of(scene, body, rng)) for scene in scenes]
    return as_planned(lens, measure_edge(areas, sent, told_of(lens)))


def middle_of(mosaic: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The area about the edge, and its green sites."""
    green = np.zeros(mosaic.shape, bool)
    green[0::2, 1::2] = green[1::2, 0::2] = True
    columns = slice(mosaic.shape[1] // 2 - 120, mosaic.shape[1] // 2 + 120)
    return mosaic[:, columns], green[:, columns]


def true_mtf50_lp_mm(lens: Lens) -> float:
    """Contrast one half by the renderer's own transfer function, at the focus where it lies farthest."""
    nu = np.fft.rfftfreq(4000, 0.5)
    reach_um = 0.6 * lens.wavelength_um / lens.na**2
    rows = [lens.transfer(defocus, (4, 4000))[0] for defocus in np.linspace(-reach_um, reach_um, 21)]
    return max(nu[np.argmax(row < 0.5)] for row in rows) * 1000 / lens.pitch_um


def true_width_um(lens: Lens, per_px: float, share: float = 0.8) -> float:
    """The depth in which the share is kept, by the renderer's own transfer function."""
    place = round(per_px / (2 / 4000))
    z_um = np.linspace(-2, 2, 101) * lens.wavelength_um / lens.na**2
    kept = np.array([lens.transfer(z, (4, 4000))[0, place] for z in z_um])
    top = int(kept.argmax())
    above = kept >= share * kept[top]
    low = top - int(np.argmin(above[top::-1])) + 1
    high = top + int(np.argmin(above[top:])) - 1

    def crossing(inner: int, outer: int) -> float:
        part = (kept[inner] - share * kept[top]) / (kept[inner] - kept[outer])
        return float(z_um[inner] + part * (z_um[outer] - z_um[inner]))

    return crossing(high, high + 1) - crossing(low, low - 1)


def planned_per_px(lens: Lens, f_number: float) -> float:
    """The detail that a plan by some f-number goes by: what the lens keeps three tenths of, at most two pixels."""
    return min(told_of(lens).target_per_px, 0.494 * lens.pitch_um / (lens.wavelength_um * f_number))


def seam_error(lens: Lens, f_number: float) -> float:
    """Share of contrast that the seam of a plan by some f-number really keeps, less what the plan promises."""
    told = told_of(lens)
    nu = planned_per_px(lens, f_number)
    half_um = 0.35 * width_um(told, f_number, nu)  # steps of 0.7 slices
    promised = float(told.curve(nu)(np.array([half_um]), Shape(f_number=f_number))[0])
    place = round(nu / (2 / 4000))
    z_um = np.linspace(-0.5, 0.5, 41) * lens.wavelength_um / lens.na**2
    best_um = z_um[int(np.argmax([lens.transfer(z, (4, 4000))[0, place] for z in z_um]))]
    in_focus = lens.transfer(best_um, (4, 4000))[0, place]
    kept = min(lens.transfer(best_um + side * half_um, (4, 4000))[0, place] for side in (-1, 1))
    return float(kept / in_focus) - promised
