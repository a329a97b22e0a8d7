"""Microscope objectives and coupled lenses."""

from __future__ import annotations

import pytest
from optics.rigs import coupled_lenses, finite_objective, objective

from stacker.optics.impossible import Impossible


@pytest.mark.parametrize(
    ("magnification", "na", "reference_mm", "tube_lens_mm", "m", "n_e"),
    [  # derived: M f_tube/f_reference; N_e = m/(2 NA)
        (10, 0.24, 190, 152, 8, 16.66667),
        (4, 0.1, 180, 200, 4.4444, 22.2222),
    ],
)
def test_infinity_objective_scales_with_its_tube_lens(magnification, na, reference_mm, tube_lens_mm, m, n_e):
    rig = objective(magnification=magnification, na=na, reference_mm=reference_mm, tube_lens_mm=tube_lens_mm)
    four_decimals = 6e-5  # as printed
    assert rig.magnification == pytest.approx(m, abs=four_decimals)
    assert rig.effective_f_number == pytest.approx(n_e, abs=four_decimals)
    assert (rig.object_na, rig.telecentric, rig.f_number, rig.entrance_pupil_mm) == (na, True, None, None)
    assert not rig.measured


def test_finite_objective_on_another_tube():
    # derived from the thin lens: 160 mm at 4x has f = 160/5 = 32; on 192 mm the image distance is 6 f, so m = 5
    rig = finite_objective(magnification=4, na=0.1, tube_length_mm=192, reference_tube_length_mm=160)
    assert rig.magnification == pytest.approx(5)
    assert rig.effective_f_number == pytest.approx(25)
    assert not rig.telecentric
    assert not rig.measured
    # on 48 mm the image distance is 1.5 f, so m = 0.5
    short = finite_objective(magnification=4, na=0.1, tube_length_mm=48, reference_tube_length_mm=160)
    assert short.magnification == pytest.approx(0.5)
    same = finite_objective(magnification=4, na=0.1, tube_length_mm=160, reference_tube_length_mm=160)
    assert same.magnification == pytest.approx(4)


def test_coupled_pair_takes_the_narrower_aperture():
    # common practice, no source: 200 mm and a reversed 50 mm give 4x; NA derived
    common = {"rear_focal_length_mm": 200, "front_focal_length_mm": 50}
    front_limits = coupled_lenses(**common, rear_f_number=4, front_f_number=2)
    assert front_limits.magnification == pytest.approx(4)
    assert not front_limits.measured
    assert front_limits.object_na == pytest.approx(1 / 4)  # 1/(2 * 2), below 4/(2 * 4)
    rear_limits = coupled_lenses(**common, rear_f_number=16, front_f_number=2)
    assert rear_limits.object_na == pytest.approx(4 / 32)
    assert rear_limits.effective_f_number == pytest.approx(16)  # the rear lens alone makes the image, from infinity


def test_ruler_and_converter():
    rig = objective(
        magnification=5, na=0.12, reference_mm=190, tube_lens_mm=190, converter=2, measured_magnification=9.6
    )
    assert rig.magnification == pytest.approx(9.6)
    assert rig.bare_magnification == pytest.approx(4.8)
    assert rig.magnification_range == pytest.approx((9.6, 9.6))
    assert (rig.object_na, rig.measured) == (0.12, True)
    alone = finite_objective(
        magnification=4, na=0.1, tube_length_mm=192, reference_tube_length_mm=160, measured_magnification=4.8
    )
    assert (alone.magnification, alone.measured) == (4.8, True)
    pair = coupled_lenses(
        rear_focal_length_mm=200,
        rear_f_number=16,
        front_focal_length_mm=50,
        front_f_number=2,
        measured_magnification=3.8,
    )
    assert (pair.magnification, pair.measured) == (3.8, True)


@pytest.mark.parametrize(
    ("build", "values", "limit", "message"),
    [
        (
            objective,
            {"magnification": 60, "na": 1.25, "reference_mm": 190, "tube_lens_mm": 190},
            "aperture",
            "the numerical aperture on the subject is 1.25; it stays below the refractive index there, 1",
        ),
        (
            finite_objective,
            {"magnification": 4, "na": 0.1, "tube_length_mm": 32, "reference_tube_length_mm": 160},
            "tube_length",
            "found 32 mm; a 4x objective for 160 mm forms an image only with a tube longer than 32 mm",
        ),
        (
            objective,
            {"magnification": 10, "na": 1, "reference_mm": 190, "tube_lens_mm": 190},
            "aperture",
            "the numerical aperture on the subject is 1; it stays below the refractive index there, 1",
        ),
        (
            finite_objective,
            {"magnification": 60, "na": 1.2, "tube_length_mm": 160, "reference_tube_length_mm": 160},
            "aperture",
            "the numerical aperture on the subject is 1.2; it stays below the refractive index there, 1",
        ),
        (
            coupled_lenses,
            {"rear_focal_length_mm": 200, "rear_f_number": 0.5, "front_focal_length_mm": 50, "front_f_number": 0.45},
            "aperture",
            "the numerical aperture on the subject is 1.111; it stays below the refractive index there, 1",
        ),
    ],
)
def test_refuses_what_cannot_be(build, values, limit, message):
    with pytest.raises(Impossible) as refused:
        build(**values)
    assert (refused.value.limit, str(refused.value)) == (limit, message)


def test_immersion_is_welcome_with_its_index():
    rig = objective(magnification=60, na=1.25, reference_mm=190, tube_lens_mm=190, index=1.515)
    assert rig.object_na == 1.25
    high_dry = finite_objective(magnification=40, na=0.95, tube_length_mm=160, reference_tube_length_mm=160)
    assert high_dry.object_na == 0.95  # in air unless told
