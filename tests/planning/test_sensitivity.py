"""What assumed values do to the frame count, counted by hand."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from stacker.documents.loading import load_request
from stacker.errors import InputError
from stacker.planning.draft import draft_of
from stacker.planning.sensitivity import BOUNDS, effects_of_assumptions, effects_of_margins

# Rayleigh's n lam/NA^2 with NA = m/(2 N (1 + m/P)): 140.8 um for P = 1, 316.8 for 0.5, 79.2 for 2.
TEXT = """
rig: {kind: measured, magnification: 1, f_number: 4}
camera: {sensor_mm: [24, 16], pixels: [6000, 4000]}
subject: {depth_mm: 3}
focus: {model: quarter_wave, wavelength_nm: 550}
"""
# By hand: 3000 um over the step, rounded up, the plane at 0, and a spare one at both ends; steps are whole um.
BY_PUPIL = ("rig.pupil_magnification", [(1.0, 31 + 3), (0.5, 14 + 3), (2.0, 55 + 3)])  # 98, 221, 55 um
BY_OVERLAP = ("focus.overlap", [(0.3, 31 + 3), (0.2, 27 + 3), (0.4, 36 + 3)])  # 98, 112, 84 um


def effects(*changes):
    loaded = load_request("x.yaml", changes, text=TEXT)
    found = effects_of_assumptions(loaded.value, loaded.assumed)
    return [(one.key, [(case.value, case.frames) for case in one.cases]) for one in found]


def seams(*changes):
    loaded = load_request("x.yaml", changes, text=TEXT)
    found = effects_of_assumptions(loaded.value, loaded.assumed)
    return {one.key: [case.seam for case in one.cases] for one in found}


def test_bounds_are_wide_enough_for_lenses_as_they_are_sold():
    # common practice, no source: long lenses go down to 0.5, wide ones up to 2; of the published lenses that
    # tests/optics/test_prescriptions.py traces, the telephoto lens has 0.73
    assert BOUNDS["rig.pupil_magnification"] == (0.5, 2.0)
    # half a stop of contrast, a third of the overlap either way, and the depth of a filter ring to that of a lens hood:
    # common practice, no source
    assert BOUNDS == {
        "rig.pupil_magnification": (0.5, 2.0),
        "rig.close_up_gap_mm": (10.0, 40.0),
        "focus.kept_contrast": (0.7, 0.9),
        "focus.resolved_contrast": (0.2, 0.4),
        "focus.overlap": (0.2, 0.4),
    }


@pytest.mark.parametrize(("key", "bounds"), BOUNDS.items())
def test_each_bound_is_tried_and_counted_as_a_plan_with_it(key, bounds):
    lens = (
        "rig={kind: lens, focal_length_mm: 50, max_magnification: 0.15, f_number: 4, tubes_mm: [40], "
        "close_up_dioptres: 10}"
    )
    changes = ["focus.model=contrast", "subject.depth_mm=20", lens]
    loaded = load_request("x.yaml", changes, text=TEXT)
    (effect,) = (one for one in effects_of_assumptions(loaded.value, loaded.assumed) if one.key == key)
    assert tuple(case.value for case in effect.cases[1:]) == bounds
    for case in effect.cases:
        changed = load_request("x.yaml", [*changes, f"{key}={case.value}"], text=TEXT).value
        assert case.frames == draft_of(changed).planes.frame_count


def test_a_pupil_magnification_that_was_guessed_shows_at_the_seams_of_the_plan_as_it_is():
    # by hand: at 1x, f/4 and P = 2 the effective f-number is 6 and not 8; the step stays. Recomputed here by the
    # quadrature of the general library for the OTF, at the frequency that the other rig resolves.
    request = load_request("x.yaml", ["focus.model=contrast"], text=TEXT).value
    step_um = float(draft_of(request).planes.step_um.max())
    now, wide, narrow = seams("focus.model=contrast")["rig.pupil_magnification"]
    assert now == pytest.approx(kept_by_quadrature(step_um, 8.0), abs=1e-6)
    assert wide == pytest.approx(kept_by_quadrature(step_um, 12.0), abs=1e-6)
    assert narrow == pytest.approx(kept_by_quadrature(step_um, 6.0), abs=1e-6)
    assert narrow < 0.75 < now < wide


def kept_by_quadrature(step_um: float, n_e: float) -> float:
    """Hopkins's integral by scipy, as in the tests of the OTF, at the finest line pair resolved, held at s = 0.494."""
    lam_mm, na, pitch_mm = 550e-6, 1 / (2 * n_e), 24 / 6000

    def otf(s: float, waves: float) -> float:
        def kernel(x: float) -> float:
            return math.sqrt(1 - (x + s) ** 2) * math.cos(8 * math.pi * waves * s * x)

        return 4 / math.pi * quad(kernel, 0, 1 - s, epsabs=1e-12)[0]

    def resolved(nu: float) -> float:
        return otf(nu * lam_mm * n_e, 0.0) * math.sin(math.pi * nu * pitch_mm) / (math.pi * nu * pitch_mm)

    nyquist = 1 / (2 * pitch_mm)
    target = nyquist if resolved(nyquist) > 0.3 else brentq(lambda nu: resolved(nu) - 0.3, 1.0, nyquist)
    s = min(target * lam_mm * n_e, 0.494)
    waves = step_um / 2 * na**2 / (1 + math.sqrt(1 - na**2)) / 0.55
    return otf(s, waves) / otf(s, 0.0)


def test_what_is_asked_for_and_not_guessed_leaves_the_plan_as_it_is():
    found = seams("focus.model=contrast")
    assert len(set(found["focus.overlap"])) == 1
    assert found["focus.resolved_contrast"][1] <= found["focus.resolved_contrast"][2]


def test_the_gap_of_a_close_up_lens_is_a_guess_only_where_there_is_one():
    lens = "rig={kind: lens, focal_length_mm: 50, max_magnification: 0.15, f_number: 4, pupil_magnification: 1%s}"
    assert "rig.close_up_gap_mm" not in seams(lens % "")
    assert "rig.close_up_gap_mm" in seams(lens % ", close_up_dioptres: 10")
    loaded = load_request("x.yaml", [lens % ""], text=TEXT)
    assert "rig.close_up_gap_mm" not in loaded.assumed
    assert load_request("x.yaml", [lens % ", close_up_dioptres: 10"], text=TEXT).assumed["rig.close_up_gap_mm"] == 0


def test_what_changes_most_comes_first_and_what_changes_nothing_is_left_out():
    assert effects() == [BY_PUPIL, BY_OVERLAP]  # contrasts do nothing to the model quarter_wave


def test_what_is_said_is_not_assumed():
    assert effects("rig.pupil_magnification=1") == [BY_OVERLAP]
    assert effects("rig.pupil_magnification=1", "focus.overlap=0.3") == []


def test_a_value_that_would_be_refused_has_no_frames():
    # a dial of 90 um a division cannot make the 84 um that an overlap of 0.4 asks, nor the 55 um of P = 2
    dial = "rail={travel_mm: 90, soft_limits_mm: [0, 90], dial: {mm_per_turn: 0.9, divisions: 10}, backlash_um: 0}"
    found = dict(effects(dial))
    assert found["focus.overlap"][2] == (0.4, None)
    assert found["rig.pupil_magnification"][2] == (2.0, None)


def test_contrast_matters_to_the_model_contrast():
    found = dict(effects("focus.model=contrast"))
    kept, lower, higher = found["focus.kept_contrast"]
    assert (kept[0], lower[0], higher[0]) == (0.8, 0.7, 0.9)
    assert lower[1] < kept[1] < higher[1]  # the more contrast is kept, the thinner the slices


def test_a_measured_value_is_tried_at_both_ends_of_its_interval():
    # by hand as above: Rayleigh's depth goes as (1 + m/P)^2, 140.8 um at P = 1, so 153.0 at 0.92 and 131.2 at 1.08
    changes = ("rig.pupil_magnification=1", "margins={pupil_magnification: 0.08}")
    loaded = load_request("x.yaml", changes, text=TEXT)
    (found,) = effects_of_margins(loaded.value)
    steps = [0.7 * 140.8 * ((1 + 1 / pupil) / 2) ** 2 for pupil in (1.0, 0.92, 1.08)]
    assert found.key == "rig.pupil_magnification"
    assert [case.value for case in found.cases] == pytest.approx([1.0, 0.92, 1.08])
    assert [case.frames for case in found.cases] == [math.ceil(3000 / math.floor(step)) + 3 for step in steps]
    taken, less, more = (case.seam for case in found.cases)
    assert less > taken > more


def test_a_margin_of_what_is_not_there_is_a_fault():
    with pytest.raises(InputError, match=r"margins.na: found, and the request has no rig.na; leave the margin out"):
        load_request("x.yaml", ("margins={na: 0.01}",), text=TEXT)
