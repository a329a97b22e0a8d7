"""A lens of known pupil, aberration and aperture, and flat targets seen through it out of focus, by Fourier optics.

The defocus is the exact path difference over the pupil, not its parabola; the transfer function is the autocorrelation
of the sampled pupil. Nothing here knows the formulas of the program.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.fft import fft2, fftfreq, ifft2, irfft2, rfft2, rfftfreq
from scipy.ndimage import map_coordinates

_ACROSS = 96  # samples over the pupil's diameter
_FINE = 2  # samples a pixel, each way


@dataclass(frozen=True, kw_only=True)
class Lens:
    """What the estimator is asked to find out, and what it is told of it elsewhere."""

    magnification: float = 1.0
    f_number: float = 4.0
    pupil_magnification: float = 1.0
    spherical_waves: float = 0.0  # W040; best focus is wherever it is
    pitch_um: float = 4.0
    wavelength_um: float = 0.55
    curvature_um: float = 0.0  # the plane of focus lies so much deeper at the picture's corners
    tilt_um: tuple[float, float] = (0.0, 0.0)  # of the target, from edge to edge across and down
    pupil_mm: float | None = None  # entrance pupil to the plane of focus: perspective, where given

    @property
    def effective_f_number(self) -> float:
        return self.f_number * (1 + self.magnification / self.pupil_magnification)

    @property
    def na(self) -> float:
        return self.magnification / (2 * self.effective_f_number)

    def radial(self, defocus_um: float) -> tuple[np.ndarray, np.ndarray]:
        """The optics' transfer along a radius: frequencies over the cut-off (0 to 1), and what passes there."""
        axis = np.linspace(-2, 2, 2 * _ACROSS, endpoint=False)
        x, y = np.meshgrid(axis, axis)
        r2 = x**2 + y**2
        inside = r2 <= 1
        path_um = defocus_um * (1 - np.sqrt(1 - self.na**2 * np.minimum(r2, 1)))
        waves = path_um / self.wavelength_um + self.spherical_waves * (r2**2 - r2)
        pupil = inside * np.exp(2j * np.pi * waves)
        otf = np.fft.fftshift(fft2(np.abs(ifft2(pupil)) ** 2))
        otf = otf.real / otf.real.max()  # an even aberration gives a real one
        # round, as the pupil is; a shift by its diameter (2) is the cut-off
        return axis[_ACROSS:] / 2, otf[_ACROSS, _ACROSS:]

    @property
    def cut_off(self) -> float:
        """Where the optics pass nothing any more [cycles a pixel]."""
        return self.pitch_um / (self.wavelength_um * self.effective_f_number)

    def transfer(self, defocus_um: float, shape: tuple[int, int]) -> np.ndarray:
        """Optics and pixel at the frequencies of `rfft2` of a finely sampled picture."""
        radii, along = self.radial(defocus_um)
        nu_x, nu_y = rfftfreq(shape[1], 1 / _FINE), fftfreq(shape[0], 1 / _FINE)  # cycles a pixel
        radius = np.hypot(nu_y[:, None], nu_x) / self.cut_off
        return np.interp(radius, radii, along, right=0.0) * np.sinc(nu_y)[:, None] * np.sinc(nu_x)[None, :]


@dataclass(frozen=True, kw_only=True)
class Target:
    """Something flat in front of a lens: reflectances on a grid of half pixels."""

    lens: Lens
    fine: np.ndarray
    averaged: bool = False  # each fine sample is the mean over its width, which is undone: a lens sees the edge itself

    @cached_property
    def _spectrum(self) -> np.ndarray:
        spectrum = rfft2(self.fine)
        return spectrum / np.sinc(rfftfreq(self.fine.shape[1], 1 / _FINE) / _FINE) if self.averaged else spectrum

    @property
    def shape(self) -> tuple[int, int]:
        return self.fine.shape[0] // _FINE, self.fine.shape[1] // _FINE

    def at(self, defocus_um: float) -> np.ndarray:
        """The light on each pixel with the whole target so far out of focus."""
        blurred = irfft2(self._spectrum * self.lens.transfer(defocus_um, self.fine.shape), self.fine.shape)
        if self.lens.pupil_mm is not None:
            rows, columns = self.fine.shape
            y, x = np.mgrid[:rows:_FINE, :columns:_FINE].astype(float)
            scale = 1 + defocus_um / 1000 / self.lens.pupil_mm
            middle_y, middle_x = (rows - 1) / 2, (columns - 1) / 2
            place = [middle_y + (y - middle_y) * scale, middle_x + (x - middle_x) * scale]
            return map_coordinates(blurred, place, order=3, mode="mirror")
        return blurred[::_FINE, ::_FINE]

    def frames(self, positions_um: np.ndarray, *, focus_at_um: float = 0.0) -> list[np.ndarray]:
        """The pictures from a row of rail positions; places off a flat, square target are laid in from a fine row."""
        shift = self._shift_um()
        if not shift.any():
            return [self.at(focus_at_um - position) for position in positions_um]
        lowest = float(np.min(focus_at_um - positions_um + shift.min()))
        highest = float(np.max(focus_at_um - positions_um + shift.max()))
        level = (positions_um.max() - positions_um.min()) / (len(positions_um) - 1) / 3
        count = int(np.ceil((highest - lowest) / level)) + 1
        pictures = np.stack([self.at(lowest + level * i) for i in range(count)])
        rows, columns = np.indices(self.shape)
        made = []
        for position in positions_um:
            place = np.clip((focus_at_um - position + shift - lowest) / level, 0, count - 1.001)
            low = place.astype(int)
            share = place - low
            made.append(pictures[low, rows, columns] * (1 - share) + pictures[low + 1, rows, columns] * share)
        return made

    def _shift_um(self) -> np.ndarray:
        """How much deeper than the centre's the target lies, seen from the plane of focus."""
        rows, columns = self.shape
        y, x = np.mgrid[:rows, :columns].astype(float)
        y, x = (y - (rows - 1) / 2) / rows, (x - (columns - 1) / 2) / columns
        corner = (0.5 * rows) ** 2 + (0.5 * columns) ** 2
        r2 = ((y * rows) ** 2 + (x * columns) ** 2) / corner
        return self.lens.tilt_um[0] * x + self.lens.tilt_um[1] * y - self.lens.curvature_um * r2


def texture(
    lens: Lens,
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    grain_px: float = 1.0,
    contrast: float = 1.0,
) -> Target:
    """A flat surface with random grains of about so many pixels, periodic at the picture's borders."""
    rows, columns = shape[0] * _FINE, shape[1] * _FINE
    nu_x, nu_y = rfftfreq(columns, 1 / _FINE), fftfreq(rows, 1 / _FINE)
    soft = np.exp(-((nu_y[:, None] ** 2 + nu_x[None, :] ** 2) * (np.pi * grain_px) ** 2) / 2)
    noise = irfft2(rfft2(rng.normal(size=(rows, columns))) * soft, (rows, columns))
    return Target(lens=lens, fine=np.clip(0.45 + 0.12 * contrast * noise / noise.std(), 0.02, 1))


def slanted_edge(lens: Lens, shape: tuple[int, int], *, angle_deg: float = 5.0, contrast: float = 0.8) -> Target:
    """A straight edge through the picture's middle, exactly integrated over each fine sample along its normal."""
    rows, columns = shape[0] * _FINE, shape[1] * _FINE
    y, x = np.mgrid[:rows, :columns].astype(float)
    angle = np.deg2rad(angle_deg)
    away = (x - columns / 2 - 0.37) * np.cos(angle) + (y - rows / 2) * np.sin(angle)
    # far from the edge the picture returns to the left side's brightness smoothly, so that it is periodic
    fall = np.clip((columns / 2 - 40 - np.abs(x - columns / 2)) / 80, 0, 1)
    step = np.clip(away + 0.5, 0, 1) * (fall * fall * (3 - 2 * fall))
    return Target(lens=lens, fine=0.1 + contrast * step, averaged=True)
