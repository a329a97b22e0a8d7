"""Things to stack: depth and light at each pixel, from a seed. Depths run from 0 to `deep_um`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import fftfreq, irfft2, rfft2, rfftfreq
from scipy.ndimage import gaussian_filter


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One surface, or several of which each lets the light of the others through."""

    surfaces: list[tuple[np.ndarray, np.ndarray]]  # depth [um] and light (0 to 1, highlights above)

    @property
    def shape(self) -> tuple[int, int]:
        return self.surfaces[0][0].shape


def _grains(shape: tuple[int, int], rng: np.random.Generator, slope: float, coarsest: float = 0.004) -> np.ndarray:
    """Noise whose amplitude falls with frequency to some power; standard deviation 1."""
    radius = np.hypot(fftfreq(shape[0])[:, None], rfftfreq(shape[1]))
    weight = np.maximum(radius, coarsest) ** -slope
    weight[0, 0] = 0
    noise = irfft2(rfft2(rng.normal(size=shape)) * weight, shape)
    return noise / noise.std()


def _hills(shape: tuple[int, int], rng: np.random.Generator, slope: float = 2.2) -> np.ndarray:
    """Heights from 0 to 1, each value about as frequent as any other, so that every frame has its share."""
    y, x = np.mgrid[: shape[0], : shape[1]] / max(shape)
    angle = rng.uniform(0, 2 * np.pi)
    raw = 1.2 * (np.cos(angle) * x + np.sin(angle) * y) / 0.3 + _grains(shape, rng, slope, 1.5 / max(shape))
    raw = gaussian_filter(raw, 2.0)
    order = np.sort(raw.ravel()[:: max(1, raw.size // 20_000)])
    return np.interp(raw, order, np.linspace(0, 1, len(order)))


def rough(shape, deep_um, rng) -> Scene:
    """A rough, grained surface."""
    light = np.clip(0.4 + 0.13 * _grains(shape, rng, 0.9), 0.02, 1)
    return Scene(surfaces=[(_hills(shape, rng) * deep_um, light)])


def hairy(shape, deep_um, rng) -> Scene:
    """Bright hairs at all depths before a grained surface."""
    depth = _hills(shape, rng) * deep_um
    light = np.clip(0.22 + 0.06 * _grains(shape, rng, 1.1), 0.02, 1)
    rows, columns = shape
    for _ in range(int(rows * columns / 900)):
        length = rng.uniform(25, 110)
        along = np.arange(0, length, 0.5)
        angle = rng.uniform(0, 2 * np.pi) + rng.normal(0, 0.012) * along
        y = (rng.uniform(0, rows) + np.cumsum(np.sin(angle)) * 0.5).astype(int)
        x = (rng.uniform(0, columns) + np.cumsum(np.cos(angle)) * 0.5).astype(int)
        inside = (y >= 0) & (y < rows - 1) & (x >= 0) & (x < columns - 1)
        if not inside.any():
            continue
        y, x = y[inside], x[inside]
        root = depth[y[0], x[0]]
        rise = root - rng.uniform(0.0, 0.0025) * deep_um * along[inside]
        bright = rng.uniform(0.35, 0.9)
        for down, across in ((0, 0), (0, 1)) if rng.random() < 0.5 else ((0, 0), (1, 0)):
            light[y + down, x + across] = bright
            depth[y + down, x + across] = np.clip(rise, 0, deep_um)
    return Scene(surfaces=[(depth, light)])


def crystal(shape, deep_um, rng) -> Scene:
    """Flat, leaning, glossy faces with fine scratches, dark edges, and glints that burn out."""
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(float)
    count = 26
    seeds = rng.uniform(0, 1, (count, 2)) * shape
    distance = np.stack([np.hypot(y - a, x - b) for a, b in seeds])
    nearest = np.argsort(distance, axis=0)[:2]
    face = nearest[0]
    gap = np.take_along_axis(distance, nearest, axis=0)
    base = rng.permutation(np.linspace(0.1, 0.9, count))
    lean = rng.normal(0, 0.8, (count, 2)) / max(shape)
    depth = base[face] + lean[face, 0] * (y - seeds[face, 0]) + lean[face, 1] * (x - seeds[face, 1])
    light = rng.uniform(0.15, 0.6, count)[face] * (1 + 0.07 * _grains(shape, rng, 0.7))
    light = np.where(gap[1] - gap[0] < 1.6, 0.05, light)
    glints = rng.integers(0, (rows - 3, columns - 3), (rows * columns // 2500, 2))
    for down in (0, 1):
        light[glints[:, 0] + down, glints[:, 1]] = rng.uniform(0.8, 4.0, len(glints))
    return Scene(surfaces=[(np.clip(depth, 0, 1) * deep_um, np.clip(light, 0.02, 4))])


def dome(shape, deep_um, rng) -> Scene:
    """A beaded dome on black, with highlights that burn out."""
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(float)
    radius = np.hypot((y - rows / 2) / (0.47 * rows), (x - columns / 2) / (0.47 * columns))
    inside = radius < 1
    depth = np.where(inside, 1 - np.sqrt(np.maximum(1 - radius**2, 0)), 1.0) * deep_um
    light = np.clip(0.3 + 0.11 * _grains(shape, rng, 0.8), 0.02, 1) * inside
    spots = rng.integers(0, (rows - 3, columns - 3), (rows * columns // 1500, 2))
    for down in (0, 1, 2):
        for across in (0, 1, 2):
            at = (spots[:, 0] + down, spots[:, 1] + across)
            light[at] = np.where(inside[at], 2.5, light[at])
    return Scene(surfaces=[(depth, np.maximum(light, 0.002))])


def low_texture(shape, deep_um, rng) -> Scene:
    """Smooth as an egg: hardly any detail, and that coarse."""
    light = 0.5 + 0.01 * _grains(shape, rng, 2.0)
    return Scene(surfaces=[(_hills(shape, rng, 3.0) * deep_um, light)])


def translucent(shape, deep_um, rng) -> Scene:
    """Detail throughout a clear volume: whatever the depth in focus, most of the light comes from elsewhere."""
    surfaces = []
    count = 14
    for place in range(count):
        depth = (place + 0.8 * _hills(shape, rng, 2.0)) / count * deep_um
        blobs = gaussian_filter(np.maximum(_grains(shape, rng, 1.0) - 1.0, 0), 1.5)
        surfaces.append((np.clip(depth, 0, deep_um), 0.02 + 0.25 * blobs))
    return Scene(surfaces=surfaces)


TEXTURED = {"hairy": hairy, "crystal": crystal, "rough": rough, "dome": dome}
SILENT = {"low_texture": low_texture, "translucent": translucent}
SCENES = TEXTURED | SILENT
