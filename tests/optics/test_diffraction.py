"""Airy disk, finest detail, cut-off."""

from __future__ import annotations

import math

import pytest
from scipy.special import jn_zeros

from stacker.optics.diffraction import (
    AIRY_DIAMETER,
    airy_diameter_um,
    cutoff_lp_mm,
    diffraction_f_number,
    finest_detail_um,
)
from stacker.optics.lenses import lens


def test_airy_constant_is_the_first_zero_of_j1():
    # derived: scipy's zeros of Bessel functions; first zero 1.2196698913 in radius
    assert pytest.approx(2 * jn_zeros(1, 1)[0] / 3.141592653589793, abs=1e-9) == AIRY_DIAMETER
    assert pytest.approx(2 * 1.2196698913, abs=1e-9) == AIRY_DIAMETER


def test_airy_diameter():  # derived
    assert airy_diameter_um(effective_f_number=[4, 8, 16], wavelength_nm=550) == pytest.approx(
        [5.3665, 10.7331, 21.4662], abs=1e-4
    )


@pytest.mark.parametrize(("na", "expected_um"), [(0.12, 2.80), (0.25, 1.34), (0.45, 0.75), (0.75, 0.45), (1.4, 0.24)])
def test_finest_detail_of_objectives(na, expected_um):
    # D. B. Murphy, Fundamentals of Light Microscopy and Electronic Imaging, Table 4-1; two decimals printed
    detail = finest_detail_um(object_na=na, magnification=1000, pixel_pitch_um=4, wavelength_nm=550)
    assert detail == pytest.approx(expected_um, abs=0.005)


RIG = {"object_na": 0.1, "magnification": 2.0, "pixel_pitch_um": 0.5, "wavelength_nm": 550}


def test_a_lens_hardly_softer_than_perfect_resolves_hardly_less():
    perfect = float(finest_detail_um(**RIG))
    assert float(finest_detail_um(**RIG, lens_falloff_mm2=1e-12)) == pytest.approx(perfect, rel=1e-6)


@pytest.mark.parametrize("falloff_mm2", [1e-5, 1e-4, 1e-3])
def test_line_pairs_of_the_finest_detail_keep_what_a_perfect_lens_leaves_at_rayleighs_limit(falloff_mm2):
    # the closed form of the in-focus MTF, in every optics text; at s = 1/1.22 it is 0.0894
    def mtf(s):
        return 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s**2))

    lines_per_mm = 1000 / float(finest_detail_um(**RIG, lens_falloff_mm2=falloff_mm2)) / RIG["magnification"]
    cutoff_per_mm = 2 * RIG["object_na"] / 550e-6 / RIG["magnification"]
    contrast = mtf(lines_per_mm / cutoff_per_mm) * math.exp(-falloff_mm2 * lines_per_mm**2)
    assert contrast == pytest.approx(0.0894, abs=1e-4)
    assert lines_per_mm < cutoff_per_mm / 1.22


def test_finest_detail_is_never_under_two_pixels():
    assert finest_detail_um(object_na=0.28, magnification=2, pixel_pitch_um=4, wavelength_nm=550) == pytest.approx(4)


def test_cutoff():  # 1/(lam N_e), in every optics text: 550 nm at f/10 is 1/5.5 um
    assert cutoff_lp_mm(effective_f_number=10, wavelength_nm=550) == pytest.approx(1000 / 5.5)


def test_diffraction_f_number_makes_the_airy_disk_as_wide_as_asked():
    common = {
        "focal_length_mm": 60,
        "max_magnification": 0.5,
        "tubes_mm": 36,
        "pupil_magnification": 0.7,
        "converter": 1.4,
    }
    rig = lens(**common, f_number=8)
    n = diffraction_f_number(
        f_number=8,
        effective_f_number=rig.effective_f_number,
        pixel_pitch_um=3.9,
        airy_pixels=3,
        wavelength_nm=550,
    )
    there = lens(**common, f_number=n)
    assert airy_diameter_um(effective_f_number=there.effective_f_number, wavelength_nm=550) == pytest.approx(3 * 3.9)
