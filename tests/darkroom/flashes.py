"""Stacks whose light fails: a subject of some depth, frame by frame, through a camera with its noise and tone curve.

The depth of each place is blurred by itself (a Gaussian as wide as its distance from the plane of focus says) out of a
row of blurred copies. Where a frame got less light, the scene is darker before it meets the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from darkroom.camera import Body, developed, mosaic_of
from scipy.ndimage import gaussian_filter

_LEVELS = 8


@dataclass(frozen=True, kw_only=True)
class Subject:
    """What is photographed: reflectances, and how deep each place lies (0 front, 1 back)."""

    surface: np.ndarray
    depth: np.ndarray


def grainy(rng: np.random.Generator, shape: tuple[int, int] = (144, 192)) -> Subject:
    """A slanted, grainy ground with some broad patches."""
    noise = rng.normal(size=shape)
    fine, broad = gaussian_filter(noise, 1), gaussian_filter(noise, 12)
    surface = 0.35 * (1 + 0.3 * fine / fine.std() + 0.3 * broad / broad.std())
    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(float)
    return Subject(surface=np.clip(surface, 0.02, 0.95), depth=(rows / shape[0] + 0.3 * columns / shape[1]) / 1.3)


def dome(rng: np.random.Generator, shape: tuple[int, int] = (144, 192)) -> Subject:
    """A dark, glossy dome on black: most of the picture holds nothing, and its highlights are clipped."""
    rows, columns = np.mgrid[: shape[0], : shape[1]].astype(float)
    away = np.hypot((rows / shape[0] - 0.5) * 2.2, (columns / shape[1] - 0.5) * 2.2 * shape[1] / shape[0])
    noise = gaussian_filter(rng.normal(size=shape), 1)
    surface = np.where(away < 1, 0.08 * (1 + 0.3 * noise / noise.std()), 0.0)
    for row, column in rng.uniform(0.3, 0.7, (12, 2)):
        surface[int(row * shape[0]), int(column * shape[1])] = 40.0
    return Subject(surface=np.clip(surface, 0, None), depth=np.clip(away, 0, 1) ** 2)


def stack(
    subject: Subject, stops: np.ndarray, rng: np.random.Generator, *, body: Body | None = None, blur_px: float = 8.0
) -> list[np.ndarray]:
    """Developed pictures, front to back, each with so many stops more light than meant: uint8, (rows, columns, 3)."""
    body = body or Body()
    sigmas = np.linspace(0, blur_px, _LEVELS)
    copies = np.stack([gaussian_filter(subject.surface, sigma, mode="mirror") for sigma in sigmas])
    rows, columns = np.indices(subject.surface.shape)
    made = []
    for plane, more in zip(np.linspace(0, 1, len(stops)), stops, strict=True):
        place = np.abs(subject.depth - plane) * (_LEVELS - 1.001)
        low = place.astype(int)
        share = place - low
        scene = copies[low, rows, columns] * (1 - share) + copies[low + 1, rows, columns] * share
        made.append(developed(mosaic_of(scene * 2.0**more, body, rng), body))
    return made
