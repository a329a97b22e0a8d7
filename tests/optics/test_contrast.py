"""Contrast of the whole system and what defocus keeps of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from stacker.optics.beam import Beam
from stacker.optics.contrast import (
    defocus_um,
    displacement_for_share_um,
    held_frequency_lp_mm,
    in_focus_contrast,
    lens_falloff_mm2,
    share_kept,
    target_frequency_lp_mm,
)
from stacker.optics.impossible import Impossible
from stacker.optics.otf import defocused_otf
from stacker.optics.spectrum import Spectrum

GREEN = Spectrum.single(550)


@pytest.mark.parametrize(("na", "ratio"), [(0.1, 0.9975), (0.28, 0.9800), (0.5, 0.9330), (0.85, 0.7634)])
def test_exact_quarter_wave_depth_over_the_paraxial_one(na, ratio):
    # derived: lam/(2 n (1 - cos a)) over n lam/NA^2; the angle taken by trigonometry
    exact = 2 * defocus_um(waves=0.25, object_na=na, wavelength_nm=550)
    assert exact / (0.55 / na**2) == pytest.approx(ratio, abs=1e-4)
    assert exact == pytest.approx(0.55 / (2 * (1 - np.cos(np.arcsin(na)))))


def test_defocus_in_oil_is_that_of_the_angle_in_oil():
    angle = np.arcsin(1.4 / 1.515)
    path_um = 2.0 * 1.515 * (1 - np.cos(angle))  # 2 um out of focus
    assert defocus_um(waves=path_um / 0.55, object_na=1.4, wavelength_nm=550, index=1.515) == pytest.approx(2.0)


def test_quarter_wave_on_the_image_side():
    # Rayleigh: +-2 lam N_e^2, exact for small apertures; at NA 1e-4 the difference is NA^2/4
    effective, m = 4000.0, 0.8
    object_side_um = defocus_um(waves=0.25, object_na=m / (2 * effective), wavelength_nm=550)
    assert object_side_um * m**2 == pytest.approx(2 * 0.55 * effective**2, rel=1e-8)


@pytest.mark.parametrize(
    ("pitch_um", "n_e"),
    [(3.9, 8.0), (3.9, 22.0), (6.0, 5.6)],
)
def test_pixel_and_diffraction_make_the_system(pitch_um, n_e):
    nu = 60.0
    s = nu * 550e-6 * n_e
    diffraction = 2 / np.pi * (np.arccos(s) - s * np.sqrt(1 - s**2))
    # the pixel's own contrast, by averaging a cosine over it
    half_mm = pitch_um * 1e-3 / 2
    pixel = quad(lambda x: np.cos(2 * np.pi * nu * x), -half_mm, half_mm)[0] / (2 * half_mm)
    system = in_focus_contrast(nu, effective_f_number=n_e, pixel_pitch_um=pitch_um, spectrum=GREEN)
    assert system == pytest.approx(diffraction * pixel)


def test_target_is_where_contrast_falls_to_what_counts_as_resolved():
    rig = {"effective_f_number": np.array([8.0, 16.0, 32.0]), "pixel_pitch_um": 3.9, "spectrum": GREEN}
    target = target_frequency_lp_mm(**rig, resolved_contrast=0.3)
    assert target[0] < 500 / 3.9  # pixels and diffraction together, below Nyquist
    assert np.all(np.diff(target) < 0)
    assert in_focus_contrast(target, **rig) == pytest.approx([0.3] * 3)


def test_target_stops_at_nyquist_and_at_what_the_picture_needs():
    rig = {"effective_f_number": 2.8, "pixel_pitch_um": 6.0, "spectrum": GREEN, "resolved_contrast": 0.3}
    assert target_frequency_lp_mm(**rig) == pytest.approx(500 / 6)
    # 36 mm delivered as 2000 pixels
    assert target_frequency_lp_mm(**rig, output_pitch_um=18.0) == pytest.approx(500 / 18)
    # asking for more pixels than there are adds no detail
    assert target_frequency_lp_mm(**rig, output_pitch_um=3.0) == pytest.approx(500 / 6)
    # the smallest pixels on sale are under a micrometre
    rig |= {"effective_f_number": 1.0, "pixel_pitch_um": 0.7}
    assert target_frequency_lp_mm(**rig) == pytest.approx(500 / 0.7)


def test_lens_measured_at_half_contrast_brings_the_system_there():
    rig = {"effective_f_number": 8.0, "pixel_pitch_um": 3.9, "spectrum": GREEN}
    falloff = lens_falloff_mm2(lens_mtf50_lp_mm=50, **rig)
    assert in_focus_contrast(50, **rig, lens_falloff_mm2=falloff) == pytest.approx(0.5)
    perfect = target_frequency_lp_mm(**rig, resolved_contrast=0.3)
    assert target_frequency_lp_mm(**rig, resolved_contrast=0.3, lens_falloff_mm2=falloff) < perfect


# f/1.4 keeps half even past Nyquist, 128 lp/mm
@pytest.mark.parametrize(("n_e", "told_lp_mm"), [(8.0, 90), (1.4, 180)])
def test_lens_better_than_perfect_is_refused(n_e, told_lp_mm):
    with pytest.raises(Impossible) as refused:
        lens_falloff_mm2(lens_mtf50_lp_mm=told_lp_mm, effective_f_number=n_e, pixel_pitch_um=3.9, spectrum=GREEN)
    assert refused.value.limit == "better_than_perfect"
    best = float(str(refused.value).split("contrast 0.5 at ")[1].split(" lp")[0])
    contrast = in_focus_contrast(best, effective_f_number=n_e, pixel_pitch_um=3.9, spectrum=GREEN)
    assert contrast == pytest.approx(0.5, abs=1e-3)  # four digits printed


def test_share_is_held_where_defocus_costs_most():
    # derived by search over the OTF: s = 0.494 within 0.001 for share 0.8, and 4e-5 in depth for any share
    s = np.linspace(0.3, 0.7, 4001)
    beam = Beam(effective_f_number=10.0, object_na=0.05, spectrum=GREEN)
    cutoff = 1e6 / (550 * 10)
    for share in (0.1, 0.5, 0.8, 0.9, 0.99):
        depth = displacement_for_share_um(share, frequency_lp_mm=s * cutoff, beam=beam)
        held = held_frequency_lp_mm(np.inf, beam)
        assert displacement_for_share_um(share, frequency_lp_mm=held, beam=beam) == pytest.approx(depth.min(), rel=4e-5)
        if share == 0.8:
            assert s[depth.argmin()] == pytest.approx(0.494, abs=1e-3)


@given(share=st.floats(0.05, 0.99), s=st.floats(0.01, 0.99), na=st.floats(0.005, 0.9))
def test_displacement_and_share_are_inverses(share, s, na):
    beam = Beam(effective_f_number=12.0, object_na=na, spectrum=GREEN)
    rig = {"frequency_lp_mm": s * 1e6 / (550 * 12), "beam": beam}
    displacement = displacement_for_share_um(share, **rig)
    assert share_kept(displacement, **rig) == pytest.approx(share, abs=1e-10)


def test_share_is_signed_past_the_first_zero():
    rig = {"frequency_lp_mm": 90.0, "beam": Beam(effective_f_number=10.0, object_na=0.05, spectrum=GREEN)}
    far = 1.3 * displacement_for_share_um(0.001, **rig)
    assert share_kept(far, **rig) < 0


def test_white_light_is_the_mean_of_its_colours():
    # independent: QUADPACK over the band, colour by colour; five nodes are good to 7e-7 here
    displacement, nu, n_e, na = 180.0, 80.0, 11.0, 0.05

    def over_band(waves_of):
        return quad(lambda nm: float(defocused_otf(nu * n_e * nm * 1e-6, waves_of(nm))), 450, 650, epsabs=1e-10)[0]

    path_nm = displacement * 1e3 * (1 - np.cos(np.arcsin(na)))
    expected = over_band(lambda nm: path_nm / nm) / over_band(lambda _: 0.0)
    beam = Beam(effective_f_number=n_e, object_na=na, spectrum=Spectrum.band(450, 650))
    rig = {"frequency_lp_mm": nu, "beam": beam}
    assert share_kept(displacement, **rig) == pytest.approx(expected, abs=7e-7)
    for share in (0.3, 0.8):
        there = displacement_for_share_um(share, **rig)
        assert share_kept(there, **rig) == pytest.approx(share, abs=1e-12)


def test_frequency_past_the_cutoff_is_an_error():
    with pytest.raises(ValueError, match="0 < s < 1"):
        displacement_for_share_um(
            0.8,
            frequency_lp_mm=400,
            beam=Beam(effective_f_number=10.0, object_na=0.05, spectrum=GREEN),
        )
