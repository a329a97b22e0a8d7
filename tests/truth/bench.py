"""A synthetic bench: a tilted, finely lined surface, photographed by wave optics at the rail positions of a plan.

It knows the lens (focal length, f-number, pupil magnification, or the NA engraved on an objective), the magnification
of the front frame, the pixels, the colours and where the rail stops. It takes nothing else from the planner: no
effective f-number, no NA, no depth of field, no seam and no frequency.

The way of the light differs from the planner's at every stage:

- pupils: a thin lens and a stop that give the wanted pupil magnification, and a marginal ray traced through them;
- defocus: the path from the displaced point to each place of the entrance pupil, exact, not W20 rho^2;
- OTF: the pupil by FFT to the point's image and back, by prysm, not Hopkins's integral; an aberration is part of the
  path;
- picture: every line of the surface is spread by the OTF of its own depth over the pixels around it, at the scale that
  the moving camera sees it; pixels integrate; a sinusoid is fitted to each column of the frame as it stands.

The lines run across the tilt, so that each column of pixels has one depth, but for a rotation that keeps lines and
pixels out of phase. Lengths on the axis are in mm from the front of the surface, positive deeper; on the sensor in um.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from prysm.coordinates import cart_to_polar, make_xy_grid
from prysm.geometry import circle
from prysm.otf import otf_from_psf
from prysm.propagation import Wavefront
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

ROTATION = math.radians(10)  # of the lines against the rows of pixels
PUPIL_SAMPLES = 256  # prysm's in-focus OTF is then within 1.5e-4 of the closed form
LEAST_COLUMNS_A_STEP = 64
ROWS = 160
MODULATION = 0.8
SHOWN = 0.62  # of a step: what is fitted on either side of a plane, to reach past the seams


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A thin lens with a stop `stop_mm` behind it (negative: in front), which gives the pupil magnification."""

    focal_mm: float
    stop_mm: float
    stop_radius_mm: float

    @classmethod
    def of(cls, *, focal_mm: float, f_number: float, pupil_magnification: float) -> Lens:
        """The lens of these marks: its entrance pupil, seen from infinity, is f/N wide."""
        entrance_radius_mm = focal_mm / f_number / 2
        if pupil_magnification <= 1:  # the stop behind the lens is the exit pupil
            stop_mm = focal_mm * (1 - pupil_magnification)
            return cls(focal_mm=focal_mm, stop_mm=stop_mm, stop_radius_mm=entrance_radius_mm * pupil_magnification)
        stop_mm = -focal_mm * (1 - 1 / pupil_magnification)
        return cls(focal_mm=focal_mm, stop_mm=stop_mm, stop_radius_mm=entrance_radius_mm)

    def turned_round(self) -> Lens:
        """The same lens mounted back to front."""
        return Lens(focal_mm=self.focal_mm, stop_mm=-self.stop_mm, stop_radius_mm=self.stop_radius_mm)

    def seen_from(self, object_mm: float) -> View:
        """The cones of light of a point on the axis, by a marginal ray through the rim of the stop."""
        f, t = self.focal_mm, self.stop_mm
        # per unit of slope: height at the lens, and at the stop before or behind it
        at_stop_mm = object_mm + t if t < 0 else object_mm + t * (1 - object_mm / f)
        slope = self.stop_radius_mm / at_stop_mm
        image_slope = slope * (object_mm / f - 1)
        image_mm = 1 / (1 / f - 1 / object_mm)
        magnification = image_mm / object_mm
        # a stop behind the lens is seen through it
        entrance_mm = -t if t < 0 else -t / (1 - t / f)
        return View(
            magnification=magnification,
            image_sine=image_slope,
            object_sine=image_slope * magnification,  # the sine condition of a well-corrected lens
            pupil_mm=object_mm - entrance_mm,
            image_mm=image_mm,
        )


@dataclass(frozen=True, kw_only=True)
class View:
    """What one frame sees: `pupil_mm` from the plane of focus to the entrance pupil, infinite when telecentric."""

    magnification: float
    image_sine: float
    object_sine: float
    pupil_mm: float
    image_mm: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Rig:
    """The bench's own description of a set-up; an objective has `na` instead of a lens."""

    magnification: float
    pitch_um: float
    colours_nm: tuple[float, ...] = (550.0,)
    weights: tuple[float, ...] = (1.0,)
    lens: Lens | None = None
    na: float | None = None
    index: float = 1.0
    rear: bool = False
    spherical_waves: float = 0.0  # W040 at the first colour, against the focus of the rays near the axis

    @property
    def front(self) -> View:
        """The view with the front of the surface in focus."""
        if self.lens is None:
            assert self.na is not None
            return View(
                magnification=self.magnification,
                image_sine=self.na / self.magnification,
                object_sine=self.na,
                pupil_mm=math.inf,
            )
        return self.lens.seen_from(self.lens.focal_mm * (1 + 1 / self.magnification))

    def at(self, rail_um: float) -> tuple[View, float]:
        """The view, and the depth in focus [mm], at a rail position counted from the front in focus."""
        front = self.front
        if not self.rear:
            return front, rail_um / 1000
        assert self.lens is not None
        f = self.lens.focal_mm
        image_mm = front.image_mm - rail_um / 1000
        object_mm = 1 / (1 / f - 1 / image_mm)
        return self.lens.seen_from(object_mm), object_mm - f * (1 + 1 / self.magnification)


def in_focus_contrast(nu_lp_mm: float, rig: Rig, view: View) -> float:
    """The closed form of every optics text, times the pixel."""
    total = 0.0
    for colour_nm, weight in zip(rig.colours_nm, rig.weights, strict=True):
        s = min(nu_lp_mm * colour_nm * 1e-6 / (2 * view.image_sine), 1.0)
        total += weight * 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s * s))
    return total / sum(rig.weights) * float(np.sinc(nu_lp_mm * rig.pitch_um * 1e-3))


def sharpest_contrast(nu_lp_mm: float, rig: Rig, view: View) -> float:
    """The same of an aberrated lens, at the focus at which these lines have most of it."""
    if nu_lp_mm * min(rig.colours_nm) * 1e-6 >= 1.9 * view.image_sine:
        return 0.0
    return DefocusedOtf.sharpest(rig, view, nu_lp_mm)[1] * float(np.sinc(nu_lp_mm * rig.pitch_um * 1e-3))


def finest_lines_lp_mm(rig: Rig, view: View, resolved: float = 0.3, hold: float = 0.494) -> float:
    """The finest lines worth drawing, on the sensor: contrast 0.3 in focus, but where defocus costs most at most."""
    mean_nm = float(np.average(rig.colours_nm, weights=rig.weights))
    finest = min(500 / rig.pitch_um, hold * 2 * view.image_sine / (mean_nm * 1e-6))
    contrast = sharpest_contrast if rig.spherical_waves else in_focus_contrast
    if contrast(finest, rig, rig.front) >= resolved:
        return finest
    return float(brentq(lambda nu: contrast(nu, rig, rig.front) - resolved, finest / 4, finest, xtol=0.1))


class DefocusedOtf:
    """The row of the OTF, along x, for lines of frequency `nu_y` along y, against defocus.

    The pupil grid is chosen for each depth so that the lines fall on a sample of the OTF; nothing is interpolated in
    frequency. Between depths a cubic spline interpolates.
    """

    def __init__(self, rig: Rig, view: View, nu_y_lp_mm: float, reach_mm: float, depths: int = 11) -> None:
        self.view, self.nu_y = view, nu_y_lp_mm
        self.lines_sample = _lines_sample(rig, view, nu_y_lp_mm)
        self.sharpest_mm = self.sharpest(rig, view, nu_y_lp_mm)[0] if rig.spherical_waves else 0.0
        displacement_mm = np.linspace(-reach_mm, reach_mm, depths)
        rows = np.array([self._row(rig, d) for d in displacement_mm])
        self._spline = CubicSpline(displacement_mm, rows, axis=0)

    def scale(self, displacement_mm: np.ndarray | float) -> np.ndarray | float:
        """Size on the sensor over size on the surface, `displacement_mm` deeper than the plane of focus."""
        return self.view.magnification / (1 + np.asarray(displacement_mm) / self.view.pupil_mm)

    def frequency_y(self, displacement_mm: np.ndarray | float) -> np.ndarray | float:
        """The lines' frequency on the sensor; what lies deeper is drawn smaller, its lines finer."""
        return self.nu_y * self.view.magnification / self.scale(displacement_mm)

    def at(self, displacement_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Frequencies along x from 0 up, and the OTF there, both (n, K), at n displacements."""
        rows = self._spline(displacement_mm)
        step = np.asarray(self.frequency_y(displacement_mm)) / self.lines_sample
        return np.arange(rows.shape[-1]) * step[:, None], rows

    @staticmethod
    def sharpest(rig: Rig, view: View, nu_lp_mm: float) -> tuple[float, float]:
        """Displacement at which lines of a frequency have most contrast, and what the optics leave them there."""
        wave_mm = 2 * rig.colours_nm[0] * 1e-6 * rig.index / view.object_sine**2  # of defocus at the pupil's edge
        places_mm = wave_mm * np.linspace(0.5, 1.6, 12) * rig.spherical_waves
        contrast = [_otf_row(rig, view, place_mm, nu_lp_mm)[0] for place_mm in places_mm]
        spline = CubicSpline(np.arange(len(places_mm)), contrast)
        fine = np.linspace(0, len(places_mm) - 1, 2201)
        top = int(np.argmax(spline(fine)))
        return float(np.interp(fine[top], np.arange(len(places_mm)), places_mm)), float(spline(fine[top]))

    def _row(self, rig: Rig, displacement_mm: float) -> np.ndarray:
        frequency = float(self.frequency_y(displacement_mm))
        return _otf_row(rig, self.view, displacement_mm + self.sharpest_mm, frequency, self.lines_sample)


def _lines_sample(rig: Rig, view: View, nu_lp_mm: float) -> int:
    shortest_s = nu_lp_mm * min(rig.colours_nm) * 1e-6 / (2 * view.image_sine)
    return math.floor(PUPIL_SAMPLES * shortest_s / 1.02)


def _otf_row(rig: Rig, view: View, displacement_mm: float, nu_lp_mm: float, sample: int | None = None) -> np.ndarray:
    lines_sample = sample or _lines_sample(rig, view, nu_lp_mm)
    total = 0.0
    for colour_nm, weight in zip(rig.colours_nm, rig.weights, strict=True):
        s = nu_lp_mm * colour_nm * 1e-6 / (2 * view.image_sine)
        # a shift of the pupil by `lines_sample` samples, 2 s pupil radii, is the frequency of the lines
        spacing = 2 * s / lines_sample
        x, y = make_xy_grid(PUPIL_SAMPLES, dx=spacing)
        rho, _ = cart_to_polar(x, y)
        inside = np.minimum(rho, 1.0)
        path_nm = _path_mm(rig, view, displacement_mm, inside) * 1e6
        path_nm = path_nm + rig.spherical_waves * rig.colours_nm[0] * inside**4
        amplitude = circle(1.0, rho).astype(float)
        wave = Wavefront.from_amp_and_phase(amplitude, path_nm, colour_nm / 1000, spacing)
        otf = otf_from_psf(wave.focus(1.0, Q=2).intensity).data.real
        centre = otf.shape[0] // 2
        total = total + weight * otf[centre + lines_sample, centre:]
    return np.asarray(total) / sum(rig.weights)


def _path_mm(rig: Rig, view: View, displacement_mm: float, rho: np.ndarray) -> np.ndarray:
    """How much farther than on the axis the displaced point is from each place of the pupil than the focused one."""
    sine = rho * view.object_sine / rig.index
    cosine = np.sqrt(1 - sine**2)
    if math.isinf(view.pupil_mm):
        return rig.index * displacement_mm * (cosine - 1)
    height_mm = view.pupil_mm * sine / cosine
    moved_mm = view.pupil_mm + displacement_mm
    return rig.index * (np.hypot(moved_mm, height_mm) - moved_mm - np.hypot(view.pupil_mm, height_mm) + view.pupil_mm)


@dataclass(frozen=True, kw_only=True)
class FrameContrast:
    """Signed contrast of the lines in one frame, column by column, over its own contrast in focus."""

    depth_mm: np.ndarray
    share: np.ndarray


def _spread_columns(rig: Rig, view: View) -> int:
    """Pixels on either side from which a noticeable part of a column's light comes: two Airy disks."""
    return math.ceil(2 * 2.44 * max(rig.colours_nm) * 1e-3 / (2 * view.image_sine) / rig.pitch_um) + 2


def _columns_a_step(rig: Rig, view: View) -> int:
    return max(LEAST_COLUMNS_A_STEP, 3 * _spread_columns(rig, view))


def _lines_a_column(rig: Rig, view: View) -> int:
    """Lines of the surface to draw for each pixel: so many that the optics resolve none of them."""
    cutoff_lp_mm = 2 * view.image_sine / (min(rig.colours_nm) * 1e-6)
    return math.ceil(cutoff_lp_mm * rig.pitch_um * 1e-3) + 1


def optics_of(rig: Rig, view: View, step_mm: float) -> DefocusedOtf:
    """The defocused OTF of a frame, for the finest lines worth drawing and as far as its picture needs it."""
    reach_mm = step_mm * (SHOWN + 0.02 + _spread_columns(rig, view) / _columns_a_step(rig, view))
    return DefocusedOtf(rig, view, finest_lines_lp_mm(rig, view) * math.cos(ROTATION), reach_mm)


def photograph(rig: Rig, rail_um: float, step_mm: float, otf: DefocusedOtf | None = None) -> FrameContrast:
    """Photograph the surface at a rail position, and fit the contrast of every column around its plane of focus."""
    view, focus_mm = rig.at(rail_um)
    otf = otf or optics_of(rig, view, step_mm)
    nu_x = otf.nu_y * math.tan(ROTATION)
    # the surface: depth grows along x, so that a step covers so many pixels
    columns_a_step = _columns_a_step(rig, view)
    slope = step_mm * view.magnification / (columns_a_step * rig.pitch_um * 1e-3)
    middle_mm = focus_mm / slope  # where the surface crosses the plane of focus
    shown = math.ceil(SHOWN * columns_a_step)
    fine = _lines_a_column(rig, view)
    half = (shown + _spread_columns(rig, view)) * fine
    lines = np.arange(-half, half + 1) / fine
    surface_x_mm = middle_mm + lines * rig.pitch_um * 1e-3 / view.magnification
    displacement_mm = surface_x_mm * slope - focus_mm
    sensor_x_um = surface_x_mm * otf.scale(displacement_mm) * 1000
    phase = 2 * np.pi * nu_x * view.magnification * surface_x_mm
    # pixel centres: a whole number of pixels from the axis, wherever the surface falls
    first = round(float(sensor_x_um[len(lines) // 2]) / rig.pitch_um)
    pixel_x_um = np.arange(first - shown, first + shown + 1) * rig.pitch_um
    image = _image(rig, otf, displacement_mm, sensor_x_um, phase, pixel_x_um)
    depth_mm, amplitude = _fit(rig, otf, image, pixel_x_um, slope, focus_mm, nu_x)
    in_focus = CubicSpline(depth_mm, amplitude)(focus_mm)
    return FrameContrast(depth_mm=depth_mm, share=amplitude / in_focus)


def _rows_um(rig: Rig) -> np.ndarray:
    return (np.arange(ROWS) - (ROWS - 1) / 2) * rig.pitch_um


def _image(rig, otf, displacement_mm, sensor_x_um, phase, pixel_x_um) -> np.ndarray:
    """Pixels (columns, rows): every line of the surface, spread by the OTF of its own depth, on even light.

    An evenly lit surface gives even light in focus and out of focus, so only the lines need spreading; that also
    leaves no edge of the surface in the picture.
    """
    nu_x, row = otf.at(displacement_mm)
    nu_y = np.asarray(otf.frequency_y(displacement_mm))
    step = nu_x[:, 1]
    row = row * np.sinc(nu_x * rig.pitch_um * 1e-3) * np.sinc(nu_y * rig.pitch_um * 1e-3)[:, None]
    row[:, 1:] *= 2  # even in nu_x: cosines of the positive half
    # what falls between two lines, on the sensor, is what the line stands for
    width_mm = np.gradient(sensor_x_um) * 1e-3
    spread = np.empty((len(pixel_x_um), len(sensor_x_um)))
    for j, centre_um in enumerate(sensor_x_um):
        distance_mm = (pixel_x_um - centre_um) * 1e-3
        waves = np.cos(2 * np.pi * np.outer(distance_mm, nu_x[j]))
        within = np.abs(distance_mm) < 0.5 / step[j]  # a sampled spectrum repeats the picture past that
        spread[:, j] = within * (waves @ row[j]) * step[j] * width_mm[j]
    carrier = np.exp(1j * (phase[:, None] + 2 * np.pi * nu_y[:, None] * _rows_um(rig) * 1e-3))
    return 1 + MODULATION * (spread @ carrier).real


def _fit(rig, otf, image, pixel_x_um, slope, focus_mm, nu_x) -> tuple[np.ndarray, np.ndarray]:
    """Depth seen in every column, and its signed contrast, fitted at the frequency that the lines have there."""
    view = otf.view
    # which place of the surface a column sees: X = m x/(1 + d/u) with d = slope x - focus
    x_mm = pixel_x_um * 1e-3
    surface_x_mm = x_mm * (1 - focus_mm / view.pupil_mm) / (view.magnification - x_mm * slope / view.pupil_mm)
    depth_mm = surface_x_mm * slope
    nu_y = np.asarray(otf.frequency_y(depth_mm - focus_mm))
    contrast = np.empty(len(depth_mm))
    for i, column in enumerate(image):
        along = 2 * np.pi * (nu_x * view.magnification * surface_x_mm[i] + nu_y[i] * _rows_um(rig) * 1e-3)
        basis = np.column_stack((np.ones(ROWS), np.cos(along), np.sin(along)))
        mean, in_phase, _ = np.linalg.lstsq(basis, column, rcond=None)[0]
        contrast[i] = in_phase / mean / MODULATION
    return depth_mm, contrast


@dataclass(frozen=True, kw_only=True)
class Seam:
    """The place between two planes: what each frame keeps of its in-focus contrast there, and the softest place."""

    depth_mm: float
    nearer: float
    farther: float
    softest: float


def seams(rig: Rig, rail_um: list[float]) -> list[Seam]:
    """Photograph a whole stack and compare frames at every seam; rail positions in order of depth."""
    focus_mm = np.array([rig.at(position)[1] for position in rail_um])
    step_mm = float(np.diff(focus_mm).max())
    shared = None
    if not rig.rear:  # every frame is the same piece of optics
        shared = optics_of(rig, rig.front, step_mm)
    frames = [photograph(rig, position, step_mm, shared) for position in rail_um]
    found = []
    for i in range(len(frames) - 1):
        curves = [CubicSpline(frame.depth_mm, frame.share) for frame in frames[i : i + 2]]
        middle_mm = (focus_mm[i] + focus_mm[i + 1]) / 2
        half_mm = (focus_mm[i + 1] - focus_mm[i]) / 2
        places_mm = middle_mm + half_mm * np.linspace(-0.2, 0.2, 81)
        sharpest = np.maximum(*(curve(places_mm) for curve in curves))  # each place from its sharpest frame
        nearer, farther = (float(curve(middle_mm)) for curve in curves)
        found.append(Seam(depth_mm=middle_mm, nearer=nearer, farther=farther, softest=float(sharpest.min())))
    return found
