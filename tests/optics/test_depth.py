"""Four models of depth of field against handbook tables, laws of scale and an image formed by another library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from prysm.coordinates import cart_to_polar, make_xy_grid
from prysm.geometry import circle
from prysm.otf import otf_from_psf
from prysm.propagation import Wavefront
from scipy.integrate import quad
from scipy.optimize import brentq

from stacker.optics.beam import Beam
from stacker.optics.contrast import target_frequency_lp_mm
from stacker.optics.depth import (
    blur_circle_depth_um,
    contrast_depth_um,
    quarter_wave_depth_um,
    seam_contrast_at,
    sum_depth_um,
)
from stacker.optics.spectrum import Spectrum

GREEN = Spectrum.single(550)


@pytest.mark.parametrize(
    ("na", "index", "expected_um"),
    [(0.12, 1, 38.19), (0.25, 1, 8.80), (0.45, 1, 2.72), (0.75, 1, 0.98), (1.4, 1.515, 0.43)],
)
def test_quarter_wave_depth_of_objectives(na, index, expected_um):
    # D. B. Murphy, Fundamentals of Light Microscopy and Electronic Imaging, Table 4-1; two decimals printed
    assert quarter_wave_depth_um(object_na=na, wavelength_nm=550, index=index) == pytest.approx(expected_um, abs=0.005)


@pytest.mark.parametrize(
    ("m", "na", "index", "element_um", "expected_um"),
    [
        (4, 0.1, 1, 6.5, 71.25),
        (10, 0.25, 1, 6.5, 11.40),
        (40, 0.65, 1, 24, 2.2249),
        (100, 1.4, 1.515, 6.5, 0.4955),  # in oil: 0.4251 + 0.0703
    ],
)
def test_microscopists_sum(m, na, index, element_um, expected_um):
    # formula: S. Inoue and K. R. Spring, Video Microscopy (1997), from memory; numbers derived
    rig = {"object_na": na, "magnification": m, "circle_um": element_um, "wavelength_nm": 550}
    assert sum_depth_um(**rig, index=index) == pytest.approx(expected_um, abs=1e-4)
    if index == 1:
        assert sum_depth_um(**rig) == pytest.approx(expected_um, abs=1e-4)  # in air unless told


def test_blur_circle_without_a_far_limit():
    # k = N c/(m f) >= 1: everything behind is sharp enough
    depth = blur_circle_depth_um(
        effective_f_number=16, magnification=[0.001, 1.0], circle_um=30, entrance_pupil_diameter_mm=3
    )
    assert depth[0] == np.inf
    assert depth[1] == pytest.approx(2 * 16 * 30 / (1 - 0.01**2))
    # k = 1 exactly, in binary too
    assert np.isinf(
        blur_circle_depth_um(effective_f_number=16, magnification=0.016, circle_um=32, entrance_pupil_diameter_mm=2)
    )


def test_blur_circle_near_life_size_is_the_short_formula():
    assert blur_circle_depth_um(effective_f_number=8, magnification=2, circle_um=10) == pytest.approx(2 * 8 * 10 / 4)


def _depth_over_quarter_wave(effective, m, pitch_um):
    target = target_frequency_lp_mm(
        effective_f_number=effective, pixel_pitch_um=pitch_um, spectrum=GREEN, resolved_contrast=0.3
    )
    na = m / (2 * effective)
    depth = contrast_depth_um(
        0.8,
        target_lp_mm=target,
        beam=Beam(effective_f_number=effective, object_na=na, spectrum=GREEN),
    )
    return float(depth / quarter_wave_depth_um(object_na=na, wavelength_nm=550))


def test_contrast_depth_where_diffraction_and_where_pixels_rule():
    # derived: 0.85 to 0.89 lam/NA^2 where diffraction rules, up to 1.5 where coarse pixels do
    for effective in (16, 22, 32):
        assert 0.85 <= _depth_over_quarter_wave(effective, 2, 3.9) <= 0.89
    assert 1.2 < _depth_over_quarter_wave(4, 0.2, 6) <= 1.5


def test_smallest_contrast_depth():
    # derived: kappa/(2 pi s (1-s)) is smallest near s = 0.494: 0.857 of lam/NA^2; NA small enough to be paraxial
    depth = contrast_depth_um(
        0.8,
        target_lp_mm=1e4,
        beam=Beam(effective_f_number=100, object_na=0.005, spectrum=GREEN),
    )
    assert depth / (0.55 / 0.005**2) == pytest.approx(0.857, abs=5e-4)


@pytest.mark.parametrize(("m", "effective", "nu"), [(2.0, 16.8, 50.0), (0.5, 9.0, 64.0), (7.5, 13.39, 60.0)])
def test_edges_of_the_slice_keep_the_share_in_an_independently_formed_image(m, effective, nu):
    # An image of a point half the depth away, by prysm: the wavefront is the spherical one, phase exact in the
    # angle, where the planner's OTF is the parabola of the same edge value (differs by NA^2/8 of W20 at mid-pupil).
    na = m / (2 * effective)
    assert nu * effective * 550e-6 < 0.494  # where the share is held
    depth = contrast_depth_um(
        0.8,
        target_lp_mm=nu,
        beam=Beam(effective_f_number=effective, object_na=na, spectrum=GREEN),
    )
    samples, diameter = 512, 10.0
    x, y = make_xy_grid(samples, diameter=diameter)
    r, _ = cart_to_polar(x, y)
    rho = np.minimum(r / (diameter / 2), 1)
    amplitude = circle(diameter / 2, r).astype(float)

    def contrast(displacement_um):
        path_nm = displacement_um * 1e3 * (1 - np.sqrt(1 - (na * rho) ** 2))
        pupil = Wavefront.from_amp_and_phase(amplitude, path_nm, 0.55, x[0, 1] - x[0, 0])
        transform = otf_from_psf(pupil.focus(effective * diameter, Q=2).intensity)
        row = transform.data[samples, samples:].real
        return np.interp(nu, np.arange(row.size) * transform.dx, row)

    # 2e-4 of the ragged pupil edge and 1e-3 of the exact phase at NA .28
    assert contrast(depth / 2) / contrast(0) == pytest.approx(0.8, abs=1.5e-3)


@given(
    kept=st.floats(0.3, 0.97),
    target=st.floats(5, 120),
    effective=st.floats(4, 60),
    na=st.floats(0.01, 0.8),
    finer=st.floats(1, 3),
    stricter=st.floats(1.001, 1.02),
)
def test_what_always_holds_for_contrast_depth(kept, target, effective, na, finer, stricter):
    beam = Beam(effective_f_number=effective, object_na=na, spectrum=GREEN)
    depth = contrast_depth_um(kept, target_lp_mm=target, beam=beam)
    # 4e-5: at low shares the most sensitive frequency is a little below the one held
    assert contrast_depth_um(kept, target_lp_mm=target * finer, beam=beam) <= depth * (1 + 4e-5)
    assert contrast_depth_um(kept * stricter, target_lp_mm=target, beam=beam) < depth
    assert seam_contrast_at(depth, target_lp_mm=target, beam=beam) == pytest.approx(kept, abs=1e-10)
    assert seam_contrast_at(depth / 2, target_lp_mm=target, beam=beam) > kept


@given(na=st.floats(0.005, 0.05), factor=st.floats(1.1, 4), kept=st.floats(0.5, 0.95))
def test_contrast_depth_falls_with_the_square_of_the_aperture(na, factor, kept):
    # same frequency relative to the cut-off; the paraxial law holds to NA^2/4
    def depth(aperture, effective):
        return contrast_depth_um(
            kept,
            target_lp_mm=0.3e6 / (550 * effective),
            beam=Beam(effective_f_number=effective, object_na=aperture, spectrum=GREEN),
        )

    largest_na = na * factor
    assert depth(na, 20.0) / depth(na * factor, 20.0 / factor) == pytest.approx(factor**2, rel=largest_na**2 / 2)


def test_every_model_takes_one_value_a_frame():
    effective, m = np.array([10.0, 11.0, 12.0]), np.array([1.0, 1.1, 1.2])
    na = m / (2 * effective)
    together = [
        contrast_depth_um(
            0.8,
            target_lp_mm=80,
            beam=Beam(effective_f_number=effective, object_na=na, spectrum=GREEN),
        ),
        blur_circle_depth_um(effective_f_number=effective, magnification=m, circle_um=8),
        sum_depth_um(object_na=na, magnification=m, circle_um=8, wavelength_nm=550),
    ]
    one = contrast_depth_um(
        0.8,
        target_lp_mm=80,
        beam=Beam(effective_f_number=11.0, object_na=1.1 / 22, spectrum=GREEN),
    )
    assert [depth.shape for depth in together] == [(3,)] * 3
    assert together[0][1] == pytest.approx(float(one), rel=1e-12)


def test_seam_contrast_is_what_quadrature_gives():
    # an OTF of its own: Hopkins's integral by QUADPACK, defocus from the angle of the cone
    step, target, effective, na = 130.0, 90.0, 12.0, 0.06
    s = min(target * 12 * 550e-6, 0.494)
    waves = step / 2 * (1 - np.cos(np.arcsin(na))) / 0.55

    def otf(w):
        return quad(lambda x: np.sqrt(max(0.0, 1 - (x + s) ** 2)) * np.cos(8 * np.pi * w * s * x), 0, 1 - s)[0]

    found = seam_contrast_at(
        step,
        target_lp_mm=target,
        beam=Beam(effective_f_number=effective, object_na=na, spectrum=GREEN),
    )
    assert found == pytest.approx(otf(waves) / otf(0), abs=1e-9)
    back = brentq(
        lambda kept: (
            float(
                contrast_depth_um(
                    kept,
                    target_lp_mm=target,
                    beam=Beam(effective_f_number=effective, object_na=na, spectrum=GREEN),
                )
            )
            - step
        ),
        0.01,
        0.999,
    )
    assert back == pytest.approx(float(found), abs=1e-9)
