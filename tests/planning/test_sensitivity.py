"""What assumed values do to the frame count, counted by hand."""

from __future__ import annotations

from stacker.documents.loading import load_request
from stacker.planning.sensitivity import effects_of_assumptions

# Rayleigh's n lam/NA^2 with NA = m/(2 N (1 + m/P)): 140.8 um for P = 1, 207.6 for 0.7, 103.4 for 1.4.
TEXT = """
rig: {kind: measured, magnification: 1, f_number: 4}
camera: {sensor_mm: [24, 16], pixels: [6000, 4000]}
subject: {depth_mm: 3}
focus: {model: quarter_wave, wavelength_nm: 550}
"""
# By hand: 3000 um over the step, rounded up, the plane at 0, and a spare one at both ends; steps are whole um.
BY_PUPIL = ("rig.pupil_magnification", [(1.0, 31 + 3), (0.7, 21 + 3), (1.4, 42 + 3)])  # 98, 145, 72 um
BY_OVERLAP = ("focus.overlap", [(0.3, 31 + 3), (0.2, 27 + 3), (0.4, 36 + 3)])  # 98, 112, 84 um


def effects(*changes):
    loaded = load_request("x.yaml", changes, text=TEXT)
    return effects_of_assumptions(loaded.value, loaded.assumed)


def test_what_changes_most_comes_first_and_what_changes_nothing_is_left_out():
    assert effects() == [BY_PUPIL, BY_OVERLAP]  # contrasts do nothing to the model quarter_wave


def test_what_is_said_is_not_assumed():
    assert effects("rig.pupil_magnification=1") == [BY_OVERLAP]
    assert effects("rig.pupil_magnification=1", "focus.overlap=0.3") == []


def test_a_value_that_would_be_refused_has_no_frames():
    # a dial of 90 um a division cannot make the 84 um that an overlap of 0.4 asks, nor the 72 um of P = 1.4
    dial = "rail={travel_mm: 90, soft_limits_mm: [0, 90], dial: {mm_per_turn: 0.9, divisions: 10}, backlash_um: 0}"
    found = dict(effects(dial))
    assert found["focus.overlap"][2] == (0.4, None)
    assert found["rig.pupil_magnification"][2] == (1.4, None)


def test_contrast_matters_to_the_model_contrast():
    found = dict(effects("focus.model=contrast"))
    kept, lower, higher = found["focus.kept_contrast"]
    assert (kept[0], lower[0], higher[0]) == (0.8, 0.7, 0.9)
    assert lower[1] < kept[1] < higher[1]  # the more contrast is kept, the thinner the slices
