"""Whole stacks of things in relief, rendered by Fourier optics: layers of depth, each blurred by its own defocus.

Light only: what lies in front does not shade what lies behind. Shares no code with what looks into such stacks.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from darkroom.camera import Body, developed, mosaic_of, through_jpeg
from darkroom.lens import Lens
from darkroom.scenes import Scene
from scipy.fft import fftfreq, irfft2, rfft2, rfftfreq
from scipy.ndimage import affine_transform, gaussian_filter, map_coordinates

_MOST_WAVES = 9.0  # of defocus: beyond, hardly any contrast is left, and the sampled pupil would alias
_RADII = 2048


@dataclass(frozen=True, kw_only=True)
class Rig:
    """A lens and a camera, with what each frame adds by chance."""

    lens: Lens
    body: Body = field(default_factory=Body)
    mosaic: bool = False
    vignetting: float = 0.25  # of the light is lost in the corners
    flash_scatter: float = 0.02
    shake_px: float = 0.3
    rail_scatter: float = 0.012  # of a step

    @property
    def wave_um(self) -> float:
        """Displacement that puts the rim of the pupil one wave off."""
        return self.lens.wavelength_um / (1 - np.sqrt(1 - self.lens.na**2))


@lru_cache(maxsize=4)
def _table(lens: Lens, wave_um: float) -> tuple[np.ndarray, np.ndarray]:
    """Transfer along a radius, shape (defocus, radii), and the defocus in waves; finer near focus."""
    side = np.concatenate((np.arange(0, 2, 0.04), np.arange(2, _MOST_WAVES + 0.1, 0.1)))
    waves = np.concatenate((-side[:0:-1], side))
    places = np.linspace(0, 1, _RADII)
    rows = []
    for one in waves:
        radii, along = lens.radial(one * wave_um)
        rows.append(np.interp(places, radii, along, right=0.0))
    return waves, np.array(rows, dtype=np.float32)


def scene_light(scene: Scene, rig: Rig, planes_um: Iterable[float], level_um: float) -> Iterator[np.ndarray]:
    """The light on each pixel of each frame, before the camera and without perspective."""
    levels, spectra = _layers(scene, level_um)
    rows, columns = scene.shape
    nu_y, nu_x = fftfreq(rows), rfftfreq(columns)
    waves, table = _table(rig.lens, rig.wave_um)
    radius = np.hypot(nu_y[:, None], nu_x) / rig.lens.cut_off
    place = np.minimum(np.rint(radius * (_RADII - 1)), _RADII - 1).astype(np.int32)
    pixel = (np.sinc(nu_y)[:, None] * np.sinc(nu_x)).astype(np.float32)
    for plane_um in planes_um:
        off = np.clip((levels - plane_um) / rig.wave_um, -_MOST_WAVES, _MOST_WAVES)
        at = np.clip(np.interp(off, waves, np.arange(len(waves))), 0, len(waves) - 1.001)
        low = at.astype(int)
        share = (at - low).astype(np.float32)[:, None]
        curves = table[low] * (1 - share) + table[low + 1] * share
        total = np.zeros_like(spectra[0])
        for spectrum, curve in zip(spectra, curves, strict=True):
            total += spectrum * curve[place]
        yield irfft2(total * pixel, scene.shape)


def _layers(scene: Scene, level_um: float) -> tuple[np.ndarray, np.ndarray]:
    """Depths, and the spectrum of the light at each; light between two depths is shared between them."""
    lowest = min(float(depth.min()) for depth, _ in scene.surfaces)
    highest = max(float(depth.max()) for depth, _ in scene.surfaces)
    count = int(np.ceil((highest - lowest) / level_um)) + 2
    levels = lowest + level_um * np.arange(count)
    layers = np.zeros((count, *scene.shape), dtype=np.float32)
    rows, columns = np.indices(scene.shape)
    for depth, light in scene.surfaces:
        at = (depth - lowest) / level_um
        low = at.astype(int)
        share = at - low
        np.add.at(layers, (low, rows, columns), (light * (1 - share)).astype(np.float32))
        np.add.at(layers, (low + 1, rows, columns), (light * share).astype(np.float32))
    some = [i for i in range(count) if layers[i].any()]
    return levels[some], np.stack([rfft2(layers[i]) for i in some])


@dataclass(frozen=True, kw_only=True)
class Moved:
    """A part of the subject that lies elsewhere from some frame on, or in it alone; what is around it is stretched."""

    frame: int
    at: tuple[float, float]  # rows and columns, as shares of the picture
    radius_px: float
    shift_px: tuple[float, float]  # down and across
    back: bool = False

    def displaced(self, light: np.ndarray, frame: int) -> np.ndarray:
        """The light of a frame."""
        if frame < self.frame or (self.back and frame > self.frame):
            return light
        rows, columns = light.shape
        y, x = np.indices(light.shape, dtype=float)
        away = np.hypot(y - self.at[0] * rows, x - self.at[1] * columns)
        part = np.clip((1.25 - away / self.radius_px) / 0.25, 0, 1)
        place = [y - part * self.shift_px[0], x - part * self.shift_px[1]]
        return map_coordinates(light, place, order=3, mode="mirror")


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What goes wrong, by frame (from 0)."""

    light_stops: dict[int, float] | None = None  # added to a frame's light
    smear_px: dict[int, tuple[float, float]] | None = None  # length and angle [px, rad]
    soft_px: dict[int, float] | None = None  # standard deviation of a shake to all sides [px]
    moved: Moved | None = None


NONE = Faults()


def pictures(
    scene: Scene,
    rig: Rig,
    planes_um: np.ndarray,
    rng: np.random.Generator,
    *,
    level_um: float,
    faults: Faults = NONE,
) -> Iterator[np.ndarray]:
    """The frames as a developed, compressed file would give them back: grey, 8 bits."""
    stops, smears, softs = faults.light_stops or {}, faults.smear_px or {}, faults.soft_px or {}
    rows, columns = scene.shape
    y, x = (np.arange(n) - (n - 1) / 2 for n in (rows, columns))
    corner2 = (rows**2 + columns**2) / 4
    falloff = (1 - rig.vignetting * (y[:, None] ** 2 + x**2) / corner2).astype(np.float32)
    middle = np.mean(planes_um)
    for frame, light in enumerate(scene_light(scene, rig, planes_um, level_um)):
        shown = smeared(light, *smears[frame]) if frame in smears else light
        shown = gaussian_filter(shown, softs[frame]) if frame in softs else shown
        if faults.moved is not None:
            shown = faults.moved.displaced(shown, frame)
        scale = 1.0
        if rig.lens.pupil_mm is not None:
            scale = 1 + (planes_um[frame] - middle) / 1000 / rig.lens.pupil_mm
        centre = np.array([(rows - 1) / 2, (columns - 1) / 2])
        offset = centre * (1 - scale) + rng.normal(0, rig.shake_px, 2)
        with warnings.catch_warnings():  # older scipy tells at each call what it changed in 2016
            warnings.simplefilter("ignore", UserWarning)
            moved = affine_transform(shown, [scale, scale], offset, order=3, mode="mirror")
        gain = (1 + rng.normal(0, rig.flash_scatter)) * 2.0 ** stops.get(frame, 0.0)
        yield exposed(np.maximum(moved, 0) * falloff * gain, rig, rng)


def smeared(light: np.ndarray, length_px: float, angle: float) -> np.ndarray:
    """Moved evenly along a line while the shutter was open."""
    rows, columns = light.shape
    along = fftfreq(rows)[:, None] * np.sin(angle) + rfftfreq(columns) * np.cos(angle)
    return irfft2(rfft2(light) * np.sinc(along * length_px), light.shape)


def exposed(light: np.ndarray, rig: Rig, rng: np.random.Generator) -> np.ndarray:
    """What the camera makes of the light on its pixels: grey, 8 bits."""
    body = rig.body
    if rig.mosaic:
        return through_jpeg(developed(mosaic_of(light, body, rng), body), body.quality)
    electrons = light * (body.exposure * body.full_well_e)
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    electrons = electrons + noise * np.sqrt(electrons + body.read_noise_e**2)  # as good as Poisson's past 20 electrons
    tone = np.clip(electrons / body.full_well_e, 0, 1) ** (1 / body.gamma)
    return through_jpeg(np.rint(255 * tone).astype(np.uint8), body.quality)
