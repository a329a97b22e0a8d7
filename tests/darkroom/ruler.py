"""A ruler as a lens shows it, computed place by place from its printed lines: nothing here looks for anything."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import erf


@dataclass(frozen=True, kw_only=True)
class Ruler:
    """A printed or engraved scale and how it lies in the picture.

    Lengths on the ruler are in lines (the distance of neighbouring lines is 1), those on the sensor in pixels.
    """

    shape: tuple[int, int] = (1000, 1500)
    spacing_px: float = 40.0  # at the centre of the picture
    rotation_deg: float = 0.0
    barrel: float = 0.0  # how much nearer to the centre the corners lie than without distortion, as a share
    lean: float = 0.0  # change of scale from the left to the right edge of the picture, as a share
    offset: tuple[float, float] = (0.3, -2.0)  # what the picture's centre shows: lines along, lines above the edge
    width: float = 0.16
    lengths: tuple[tuple[int, float], ...] = ((1, 3.5), (5, 5.0), (10, 6.5))  # every so many lines, so long
    printed_scatter: float = 0.0  # standard deviation of the place of a line
    contrast: float = 0.75
    blur_px: float = 1.2
    digits: bool = True
    engraved: bool = False  # a bright edge beside the dark one
    lines: int | None = None  # only so many lines, about the middle

    def scene(self, rng: np.random.Generator) -> np.ndarray:
        """Reflectance of each pixel."""
        rows, columns = self.shape
        y, x = np.mgrid[:rows, :columns].astype(float)
        x -= (columns - 1) / 2
        y -= (rows - 1) / 2
        corner = np.hypot(rows, columns) / 2
        # the picture's place p comes from the undistorted P: p = P (1 - barrel |P|^2/corner^2); inverted by iteration
        X, Y = x.copy(), y.copy()
        for _ in range(6 if self.barrel else 0):
            shrink = 1 - self.barrel * (X**2 + Y**2) / corner**2
            X, Y = x / shrink, y / shrink
        # the perspective of a plane that leans back: its scale falls as the square of this from left to right
        flat = 1 / (1 + self.lean / 2 * X / columns)
        angle = np.deg2rad(self.rotation_deg)
        along = (np.cos(angle) * X + np.sin(angle) * Y) * flat / self.spacing_px + self.offset[0]
        up = (-np.sin(angle) * X + np.cos(angle) * Y) * flat / self.spacing_px + self.offset[1]
        return self._reflectance(along, -up, rng) * self._light(x, y, corner)

    def _reflectance(self, along: np.ndarray, above: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        blur = self.blur_px / self.spacing_px * np.sqrt(2)
        number = np.rint(along).astype(int)
        printed = rng.normal(0, self.printed_scatter, 4001) if self.printed_scatter else np.zeros(4001)
        length = np.zeros(number.shape)
        for every, reach in self.lengths:
            length = np.where(number % every == 0, np.maximum(length, reach), length)
        if self.lines is not None:
            length = np.where(np.abs(number) <= self.lines // 2, length, -1.0)
        across = along - number - printed[number % 4001]
        half = self.width / 2
        line = (erf((across + half) / blur) - erf((across - half) / blur)) / 2
        if self.engraved:
            line = line - 0.8 * (erf((across - half) / blur) - erf((across - half - self.width) / blur)) / 2
        ink = line * (erf(above / blur) - erf((above - length) / blur)) / 2
        if self.digits:
            ink = ink + self._digits(along, above, rng)
        face = 0.8 * (1 + erf(above / blur)) / 2 + 0.25 * (1 - erf(above / blur)) / 2
        return face * (1 - np.clip(self.contrast * ink, -0.25, 1))

    def _digits(self, along: np.ndarray, above: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Blots beyond each tenth line, of strokes that no two numbers share."""
        number = np.rint(along / 10).astype(int) * 10
        u, v = along - number, above - 8.5
        ink = np.zeros(along.shape)
        near = np.abs(v) < 2  # farther away a blot is under 1e-50
        number, u, v = number[near], u[near], v[near]
        for stroke in range(3):
            at = rng.uniform(-1, 1, 4001)[number % 4001]
            tall = rng.uniform(-0.5, 0.5, 4001)[number % 4001]
            if stroke < 2:
                ink[near] = np.maximum(ink[near], np.exp(-(((u - at) / 0.2) ** 4)) * np.exp(-((v / 1.1) ** 8)))
            else:
                ink[near] = np.maximum(ink[near], np.exp(-(((v - tall) / 0.2) ** 4)) * np.exp(-((u / 1.1) ** 8)))
        return ink

    @staticmethod
    def _light(x: np.ndarray, y: np.ndarray, corner: float) -> np.ndarray:
        return (1 + 0.15 * x / corner) * (1 - 0.3 * (x**2 + y**2) / corner**2)
