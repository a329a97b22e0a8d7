"""What the card says: units that fit, what tilt costs, what to look after."""

from __future__ import annotations

from itertools import pairwise

import pytest

from stacker.documents.loading import load_request
from stacker.planning.planner import plan_of
from stacker.presenting.bench_card import checks, facts

CAMERA = "camera: {sensor_mm: [24, 16], pixels: [6000, 4000]}\n"
LIFE_SIZE = "rig: {kind: measured, magnification: 1, f_number: 4}\n" + CAMERA + "subject: {depth_mm: 3}\n"
FIFTY = (
    "rig: {kind: objective, magnification: 50, na: 0.5, reference_mm: 190, tube_lens_mm: 190}\n"
    + CAMERA
    + "subject: {depth_mm: 0.02}\nrail: {travel_mm: 5, soft_limits_mm: [0, 5], full_steps_per_turn: 200,"
    " microsteps_per_full_step: 64, lead_mm: 0.25, speed_mm_s: 1, acceleration_mm_s2: 5, backlash_um: 1,"
    " repeatability_um: 0.05}\n"
)


def card(text, *changes):
    loaded = load_request("x.yaml", changes, text=text)
    return plan_of(loaded.value, loaded.assumed)


def test_depths_under_a_tenth_of_a_millimetre_are_told_in_um():
    plan = card(FIFTY)
    steps = dict(facts(plan))["steps"]
    first_um, last_um = plan.coverage.first_focus_um, plan.coverage.last_focus_um
    assert -2 < first_um < 0
    assert f"moves the camera {plan.motion.travel_mm * 1000:.4g} um, take-up" in dict(facts(plan))["rail"]
    assert " um of depth, " in dict(facts(plan))["tilt"]
    assert f"from {first_um:.1f} to {last_um:.1f} um (0 is the front)" in steps


def test_depths_of_a_deeper_stack_are_told_in_mm_and_finely_enough_for_its_steps():
    assert "-0.0" in dict(facts(card(LIFE_SIZE)))["steps"]
    assert " mm (0 is the front)" in dict(facts(card(LIFE_SIZE)))["steps"]
    deep = card(FIFTY, "subject.depth_mm=0.2")
    # steps of 1.2 um: a tenth of one takes four decimals of a millimetre
    assert f"to {deep.coverage.last_focus_um / 1000:.4f} mm" in dict(facts(deep))["steps"]


def test_no_depth_is_minus_nothing():
    assert "-0.0 " not in dict(facts(card(FIFTY, "focus.end_frames=0")))["steps"]


@pytest.mark.parametrize(("text", "slices"), [(LIFE_SIZE, 3.3), (FIFTY, None)])
def test_a_degree_of_tilt_is_told_with_the_numbers_of_this_rig(text, slices):
    plan = card(text)
    tilt = dict(facts(plan))["tilt"]
    # by hand: tan 1 degree is 0.017455; 24 mm of field at life size are 0.42 mm of depth
    added_um = plan.optics.field_mm[0] * 17.455
    assert f"{added_um / plan.depth_of_field.total_um:.2g} slices" in tilt
    if slices:
        assert added_um / plan.depth_of_field.total_um == pytest.approx(slices, abs=0.2)
        assert "adds 0.42 mm of depth" in tilt


def test_flash_power_is_looked_after_where_there_is_a_flash():
    flash = checks(card(LIFE_SIZE + "light: {kind: flash, exposure_s: 0.005}\n"))
    lamps = checks(card(LIFE_SIZE + "light: {kind: continuous, exposure_s: 2}\n"))
    unknown = checks(card(LIFE_SIZE))
    assert any("flash power" in one for one in flash)
    assert any("flash power" in one for one in unknown)
    assert not any("flash" in one for one in lamps)
    assert any("lamps" in one for one in lamps)


def test_an_f_number_read_close_up_is_warned_of():
    # by hand: f/4 is f/8 at life size
    assert any(
        one.startswith("f/4 set with the lens at infinity") and "f/8 here" in one for one in checks(card(LIFE_SIZE))
    )
    far = card(LIFE_SIZE, "rig.magnification=0.05")
    assert not any("infinity" in one for one in checks(far))


def test_an_unknown_scatter_is_told_as_unknown():
    plan = card(FIFTY, "rail.repeatability_um=null")
    assert dict(facts(plan))["gap risk"] == "unknown: how well the rail repeats is not known"
    without = card(FIFTY.replace(" repeatability_um: 0.05", "").replace("backlash_um: 1,", "backlash_um: 1"))
    assert {one.key: one.value for one in without.assumed}["rail.repeatability_um"] is None
    (text,) = (one.text for one in without.warnings if one.code == "repeatability_unknown")
    assert "at 1 um it is" in text
    assert "at 2 um it is" in text
    assert "at 5 um it is over 0.99" in text


HAND = "rail: {travel_mm: 25, soft_limits_mm: [0, 25], dial: {mm_per_turn: 0.5, divisions: 50}, backlash_um: 30}\n"


@pytest.mark.parametrize(("rail", "microstep_um"), [("", None), (HAND, 10)])
def test_behind_a_flat_face_the_step_to_turn_is_the_rails(rail, microstep_um):
    """Seen through a flat face a depth seems n times less (Snell's law, paraxial), so the rail steps n times less."""
    plan = card(LIFE_SIZE + rail, "subject.index=1.54")
    steps = dict(facts(plan))["steps"]
    rail_um = plan.coverage.step_um / 1.54
    told_um = float(steps.removeprefix("the rail ").partition(" um")[0])
    assert told_um == pytest.approx(rail_um, rel=1e-3)  # four digits are told
    assert f"and with it the focus {plan.coverage.step_um:.4g} um; " in steps
    assert steps.endswith("depths are true depths behind the face")
    if microstep_um:
        assert f"= {round(rail_um / microstep_um)} divisions, " in steps
        assert told_um == plan.motion.step_microsteps * microstep_um


def test_with_a_moving_rear_the_step_of_the_rail_is_told():
    """The sensor goes about m^2 times as far as the focus: its microsteps are the rail's, not the focus's."""
    bellows = "rig: {kind: lens, focal_length_mm: 75, max_magnification: 0, f_number: 5.6, tubes_mm: [130]}\n"
    plan = card(bellows + "moves: rear\n" + CAMERA + "subject: {depth_mm: 3}\n")
    steps = dict(facts(plan))["steps"]
    told_um = float(steps.removeprefix("the rail ").partition(" um")[0])
    assert told_um == pytest.approx(max(b - a for a, b in pairwise(plan.frames.rail_um)), rel=1e-3)
    assert "true" not in steps


def test_in_air_the_steps_are_told_once():
    steps = dict(facts(card(LIFE_SIZE)))["steps"]
    assert "the rail" not in steps
    assert "true" not in steps


def test_the_time_by_hand_is_the_pace_that_was_measured():
    unknown = card(LIFE_SIZE + HAND)
    assert dict(facts(unknown))["time"] == "unknown: give rail.frame_s"
    plan = card(LIFE_SIZE + HAND, "rail.frame_s=60", "camera.battery_frames=10")
    frames = plan.coverage.frame_count
    assert (plan.budget.duration_s, plan.budget.frame_s) == (frames * 60, 60)
    # as in `battery_charges`: a battery rated for 10 frames lasts a camera left on for 5 minutes, 5 frames here
    assert plan.budget.batteries == -(-frames // 5)
    assert dict(facts(plan))["time"] == f"{frames} min, 60 s a frame, {-(-frames // 5)} batteries"
    assert set(plan.frames.start_s) == {None}  # nobody knows when a person presses
