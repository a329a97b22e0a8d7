"""A camera for rendered scenes: mosaic, noise, tone curve, sharpening, JPEG. It shares no code with what it tests."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from PIL import Image
from scipy.ndimage import convolve, gaussian_filter

# Where each colour of the mosaic sits, as (row, column) parities: red, green, green, blue.
_SITES = {"red": ((0, 0),), "green": ((0, 1), (1, 0)), "blue": ((1, 1),)}


@dataclass(frozen=True, kw_only=True)
class Body:
    """What happens to light on its way into a file."""

    full_well_e: float = 30_000
    read_noise_e: float = 4.0
    exposure: float = 0.7  # share of the full well that a white surface fills
    balance: tuple[float, float, float] = (0.55, 1.0, 0.7)  # how red, green and blue sites answer to white
    gamma: float = 2.2
    sharpening: float = 0.0
    quality: int | None = 92  # None: a TIFF without loss


def mosaic_of(scene: np.ndarray, body: Body, rng: np.random.Generator) -> np.ndarray:
    """Electrons over full well of each site of the mosaic, 0 to 1, for a grey scene of reflectances 0 to 1."""
    answer = np.zeros_like(scene)
    for sites, share in zip(_SITES.values(), body.balance, strict=True):
        for row, column in sites:
            answer[row::2, column::2] = share
    electrons = rng.poisson(np.clip(scene * answer, 0, None) * body.exposure * body.full_well_e).astype(float)
    electrons += rng.normal(0, body.read_noise_e, scene.shape)
    return np.clip(electrons / body.full_well_e, 0, 1)


def developed(mosaic: np.ndarray, body: Body) -> np.ndarray:
    """Bilinear demosaicing, white balance, tone curve, sharpening: uint8, shape (rows, columns, 3)."""
    kernels = {
        "green": np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4,
        "red": np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4,
    }
    planes = []
    for (name, sites), share in zip(_SITES.items(), body.balance, strict=True):
        only = np.zeros_like(mosaic)
        for row, column in sites:
            only[row::2, column::2] = mosaic[row::2, column::2]
        planes.append(convolve(only, kernels["green" if name == "green" else "red"], mode="mirror") / share)
    picture = np.clip(np.stack(planes, axis=-1), 0, 1) ** (1 / body.gamma)
    if body.sharpening:
        soft = gaussian_filter(picture, (1.0, 1.0, 0))
        picture = picture + body.sharpening * (picture - soft)
    return np.rint(255 * np.clip(picture, 0, 1)).astype(np.uint8)


def photograph(scene: np.ndarray, file: Path | BinaryIO, body: Body, rng: np.random.Generator) -> None:
    """The scene as a developed file."""
    picture = Image.fromarray(developed(mosaic_of(scene, body, rng), body))
    if body.quality is None:
        picture.save(file, "TIFF")
    else:
        picture.save(file, "JPEG", quality=body.quality)


def through_jpeg(picture: np.ndarray, quality: int) -> np.ndarray:
    """A developed picture after a JPEG of some quality, as grey."""
    held = io.BytesIO()
    Image.fromarray(picture).save(held, "JPEG", quality=quality)
    return np.asarray(Image.open(held).convert("L"))
