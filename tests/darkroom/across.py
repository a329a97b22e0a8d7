"""A camera that looks across a rail at a textured carriage, pixel by pixel along the rays of a pinhole.

Tilted camera, target not parallel to the rail, barrel distortion: all exact, by intersecting rays and plane. It shares
no code with what it tests.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from darkroom.camera import Body, developed, mosaic_of, through_jpeg
from numpy.fft import fftfreq, irfft2, rfft2, rfftfreq
from scipy.ndimage import map_coordinates, spline_filter

_FINE = 2  # samples of the texture a pixel, each way


@dataclass(frozen=True, kw_only=True)
class Bench:
    """How camera, target and rail stand; what the estimator is told of it is the scale alone."""

    shape: tuple[int, int] = (256, 384)
    um_per_px: float = 4.0  # on an untilted target
    distance_mm: float = 150.0  # from the entrance pupil
    yaw_deg: float = 0.0  # of the camera, along the rail
    pitch_deg: float = 0.0  # of the camera, across it
    roll_deg: float = 0.0  # of the camera about its axis
    target_deg: float = 0.0  # of the target against the rail
    barrel: float = 0.0  # how much nearer to the centre the corners lie, as a share
    grain_px: float = 2.0
    contrast: float = 1.0
    blur_px: float = 0.6
    travel_um: float = 1200.0  # how far the target may be moved either way
    body: Body = field(default_factory=Body)
    seed: int = 1

    @cached_property
    def _texture(self) -> np.ndarray:
        rng = np.random.default_rng((self.seed, 7))
        reach = np.hypot(*self.shape) * 1.15 + 16
        rows, columns = int(_FINE * reach), int(_FINE * (reach + 2 * self.travel_um / self.um_per_px))
        nu_x, nu_y = rfftfreq(columns, 1 / _FINE), fftfreq(rows, 1 / _FINE)
        r2 = nu_y[:, None] ** 2 + nu_x[None, :] ** 2
        soft = np.exp(-r2 * 2 * np.pi**2 * ((self.grain_px / 2.355) ** 2 + self.blur_px**2))
        pixel = np.sinc(nu_y)[:, None] * np.sinc(nu_x)[None, :]
        noise = irfft2(rfft2(rng.normal(size=(rows, columns))) * soft * pixel, (rows, columns))
        scene = np.clip(0.45 + 0.14 * self.contrast * noise / noise.std(), 0.02, 1)
        return spline_filter(scene.astype(np.float32), order=3, output=np.float32)

    def _axes(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Right and down of the picture, and toward the camera, in the coordinates of the rail (x along it)."""
        yaw, pitch, roll = np.deg2rad([self.yaw_deg, self.pitch_deg, self.roll_deg])
        turn_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
        turn_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
        turn_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        axes = turn_y @ turn_x @ turn_z
        return axes[:, 0], axes[:, 1], axes[:, 2]

    def _seen(self, x_px: np.ndarray, y_px: np.ndarray, at_um: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Which place of the target a pixel shows with the carriage at (along, across, away) [um]."""
        corner = np.hypot(*self.shape) / 2
        x, y = x_px, y_px
        if self.barrel:
            for _ in range(6):
                shrink = 1 - self.barrel * (x**2 + y**2) / corner**2
                x, y = x_px / shrink, y_px / shrink
        right, down, toward = self._axes()
        far_um = 1000 * self.distance_mm
        eye = far_um * toward
        ray = np.multiply.outer(x * self.um_per_px, right) + np.multiply.outer(y * self.um_per_px, down) - eye
        lean = np.deg2rad(self.target_deg)
        along, normal = np.array([np.cos(lean), 0, np.sin(lean)]), np.array([-np.sin(lean), 0, np.cos(lean)])
        share = ((at_um - eye) @ normal) / (ray @ normal)
        place = eye + share[..., None] * ray - at_um
        return place @ along, place[..., 1]

    def scene(self, along_um: float, *, across_um: float = 0.0) -> np.ndarray:
        """The light on each pixel with the carriage there."""
        rows, columns = self.shape
        y, x = np.mgrid[:rows, :columns].astype(float)
        at_um = np.array([along_um, across_um, 0.0])
        u, v = self._seen(x - (columns - 1) / 2, y - (rows - 1) / 2, at_um)
        fine_um = self.um_per_px / _FINE
        middle = (np.array(self._texture.shape) - 1) / 2
        place = [v / fine_um + middle[0], u / fine_um + middle[1]]
        return map_coordinates(self._texture, place, order=3, mode="grid-wrap", prefilter=False).astype(float)

    def photograph(self, along_um: float, rng: np.random.Generator, *, across_um: float = 0.0) -> np.ndarray:
        """A developed JPEG, as grey."""
        scene = self.scene(along_um, across_um=across_um)
        return through_jpeg(developed(mosaic_of(scene, self.body, rng), self.body), self.body.quality or 95)

    @property
    def scale_um_per_px(self) -> float:
        """Of a move along the rail, at the picture's centre: what a ruler on the target would give."""
        zero, one = np.zeros(1), np.ones(1)
        here = np.array([0.0, 0.0, 0.0])
        base = np.array(self._seen(zero, zero, here))
        across = (np.array(self._seen(one / 64, zero, here)) - base) * 64
        downward = (np.array(self._seen(zero, one / 64, here)) - base) * 64
        moved = np.array(self._seen(zero, zero, here + np.array([1.0, 0, 0]))) - base
        velocity = np.linalg.solve(np.stack((across[:, 0], downward[:, 0]), axis=1), -moved[:, 0])
        return float(1 / np.hypot(*velocity))
