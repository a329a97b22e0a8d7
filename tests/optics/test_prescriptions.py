"""Rigs against a paraxial trace of published lens prescriptions, by an optical design library.

``data/traces.json`` records what ``tracing.py`` found with optiland 0.6, every digit; f and P are taken from it, the
rest must follow. Both agree to the rounding of doubles; 1e-9 leaves room for other platforms' arithmetic. The campaign
traces again: the library brings 900 MB of packages, and would cost every default run five seconds to import.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from optics.rigs import lens, reversed_lens

from stacker.optics.imaging import LensState

TRACED = json.loads((Path(__file__).parent / "data" / "traces.json").read_text(encoding="utf-8"))
F_NUMBER = 5.6
ROUNDING = 1e-9


@pytest.mark.parametrize("name", TRACED)
def test_f_numbers_and_pupils_of_real_lenses(name):
    for m, traced in zip((0.5, 1, 2), TRACED[name]["forward"], strict=True):
        rig = lens(
            focal_length_mm=traced["focal_mm"],
            f_number=F_NUMBER,
            max_magnification=0,
            tubes_mm=m * traced["focal_mm"],
            pupil_magnification=traced["pupil_magnification"],
        )
        assert rig.magnification == pytest.approx(traced["magnification"], rel=ROUNDING)
        assert rig.effective_f_number == pytest.approx(traced["effective_f_number"], rel=ROUNDING)
        assert rig.entrance_pupil_mm == pytest.approx(traced["entrance_pupil_mm"], rel=ROUNDING)
        state = LensState.of_lens(
            focal_length_mm=traced["focal_mm"],
            f_number=F_NUMBER,
            pupil_magnification=traced["pupil_magnification"],
            magnification=m,
        )
        assert state.exit_pupil_to_sensor_mm == pytest.approx(traced["exit_pupil_mm"], rel=ROUNDING)


@pytest.mark.parametrize("name", TRACED)
def test_reversed_real_lens(name):
    forward, backward = TRACED[name]["forward"][-1], TRACED[name]["reversed"][0]
    rig = reversed_lens(
        focal_length_mm=forward["focal_mm"],
        f_number=F_NUMBER,
        pupil_magnification=forward["pupil_magnification"],
        image_distance_mm=3 * forward["focal_mm"],
    )
    assert rig.magnification == pytest.approx(backward["magnification"], rel=ROUNDING)
    assert rig.pupil_magnification == pytest.approx(backward["pupil_magnification"], rel=ROUNDING)
    assert rig.effective_f_number == pytest.approx(backward["effective_f_number"], rel=ROUNDING)
    assert rig.entrance_pupil_mm == pytest.approx(backward["entrance_pupil_mm"], rel=ROUNDING)


@pytest.mark.parametrize("name", TRACED)
def test_extension_of_a_real_lens_held_at_its_setting(name):
    # m0 = .15 and the image plane moved back .24 f give m = .39, to ten digits
    traced = TRACED[name]["moved back"][0]["magnification"]
    focal_mm = TRACED[name]["forward"][0]["focal_mm"]
    rig = lens(focal_length_mm=focal_mm, f_number=F_NUMBER, max_magnification=0.15, tubes_mm=0.24 * focal_mm)
    assert traced == pytest.approx(0.39, abs=1e-10)
    assert rig.magnification == pytest.approx(traced, abs=1e-10)


@pytest.mark.parametrize(("name", "error"), [("double Gauss", 0.001), ("telephoto", 0.01)])
def test_real_rays_at_life_size_keep_the_sine_condition_nearly(name, error):
    # The aperture on the subject's side, m/(2 N_e), rests on it. Read off real rays at f/8: 0.1 % and 1 %;
    # a quarter more is allowed, since one digit was read.
    (ray,) = TRACED[name]["edge ray"]
    assert ray["sine_on_subject"] / ray["sine_on_sensor"] == pytest.approx(1, abs=1.25 * error)
    forward = TRACED[name]["forward"][1]
    rig = lens(
        focal_length_mm=forward["focal_mm"],
        f_number=8,
        max_magnification=0,
        tubes_mm=forward["focal_mm"],
        pupil_magnification=forward["pupil_magnification"],
    )
    # the paraxial pupil lets the real edge ray through at nearly the planner's aperture
    assert ray["sine_on_subject"] == pytest.approx(rig.object_na, rel=1.25 * error)


@pytest.mark.campaign
@pytest.mark.filterwarnings("ignore:variable:numba.core.errors.NumbaIRAssumptionWarning")  # numba on optiland's loops
@pytest.mark.parametrize("case", ["forward", "reversed", "moved back", "edge ray"])
@pytest.mark.parametrize("name", TRACED)
def test_the_traces_are_what_the_library_finds_today(name, case):
    from optics.tracing import CASES, LENSES

    if case == "reversed" and sys.version_info < (3, 11):
        pytest.skip("the last optiland for Python 3.10 cannot flip a lens")
    for found, recorded in zip(CASES[case](LENSES[name]), TRACED[name][case], strict=True):
        assert found == pytest.approx(recorded, rel=ROUNDING)
