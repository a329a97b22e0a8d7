"""Airy disk, cut-off, where diffraction shows."""

from __future__ import annotations

import pytest
from optics.rigs import lens
from scipy.special import jn_zeros

from stacker.optics.diffraction import (
    AIRY_DIAMETER,
    airy_diameter_um,
    diffraction_f_number,
)


def test_airy_constant_is_the_first_zero_of_j1():
    # derived: scipy's zeros of Bessel functions; first zero 1.2196698913 in radius
    assert pytest.approx(2 * jn_zeros(1, 1)[0] / 3.141592653589793, abs=1e-9) == AIRY_DIAMETER
    assert pytest.approx(2 * 1.2196698913, abs=1e-9) == AIRY_DIAMETER


def test_airy_diameter():  # derived
    assert airy_diameter_um(effective_f_number=[4, 8, 16], wavelength_nm=550) == pytest.approx(
        [5.3665, 10.7331, 21.4662], abs=1e-4
    )


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
