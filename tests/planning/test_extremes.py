"""Legal requests at the edges of what the fields accept: a plan or one clear refusal, never anything else."""

from __future__ import annotations

import re

import pytest
from rails import rail_block

from stacker.documents.loading import load_request
from stacker.errors import Refusal
from stacker.planning.apertures import aperture_rows
from stacker.planning.planner import plan_of
from stacker.presenting.apertures_table import apertures_table
from stacker.presenting.bench_card import bench_card

# A lens so short that all it can focus on in front of the subject, f/m = 10 um, lies within one step.
ALL_WITHIN_A_STEP = """
moves: rear
rig: {kind: reversed, focal_length_mm: 1, f_number: 8, field_width_mm: 0.235}
camera: {sensor_mm: [23.5, 15.7], pixels: [100, 67]}
subject: {depth_mm: 0.05}
"""


def planned(text):
    loaded = load_request("x.yaml", text=text)
    return plan_of(loaded.value, loaded.assumed)


def test_a_spare_frame_in_front_of_all_that_the_lens_can_focus_on_is_refused():
    with pytest.raises(Refusal, match="end_frames") as refused:
        planned(ALL_WITHIN_A_STEP)
    assert refused.value.key == "focus.end_frames"


def test_without_the_spare_frame_the_same_stack_is_planned():
    assert planned(ALL_WITHIN_A_STEP + "focus: {end_frames: 0}\n").coverage.frame_count >= 2


# Two frames at a tenth of life size, a long lamp exposure, a wide subject: large numbers everywhere.
LONG_AND_WIDE = """
rig: {kind: measured, magnification: 0.01, f_number: 16}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000], raw_mb: 1234.5}
light: {kind: continuous, exposure_s: 3600}
subject: {depth_mm: 9000, width_mm: 5000}
rail:
  travel_mm: 2000
  soft_limits_mm: [0, 2000]
  full_steps_per_turn: 200
  microsteps_per_full_step: 16
  lead_mm: 2
  speed_mm_s: 3
  acceleration_mm_s2: 15
  backlash_um: 0
"""
EXPONENT = re.compile(r"[0-9]e[+-]?[0-9]")


def test_a_refusal_of_large_numbers_has_no_exponents():
    with pytest.raises(Refusal) as refused:
        planned(LONG_AND_WIDE)
    assert "mm of travel" in str(refused.value)
    assert not EXPONENT.search(str(refused.value))


def test_a_card_and_a_table_of_large_numbers_have_no_exponents_and_keep_to_80_columns():
    text = LONG_AND_WIDE.replace("depth_mm: 9000", "depth_mm: 100")
    plan = planned(text + "focus: {end_frames: 0, overlap: 0.9}\n")
    rows = aperture_rows(plan.request)
    lines = [*bench_card(plan), *apertures_table(rows, 16, None)]
    assert not [line for line in lines if EXPONENT.search(line) or len(line) > 80]
    assert any("um at most" in line for line in lines)


PLACED = f"""
rig: {{kind: measured, magnification: 0.87, f_number: 5.6}}
camera: {{sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}}
subject: {{depth_mm: 3.4, front_at_mm: 77}}
{rail_block()}"""


@pytest.mark.parametrize("end", [1, 2])
def test_the_range_that_a_refusal_names_for_the_front_is_accepted_to_its_ends(end):
    with pytest.raises(Refusal) as refused:
        planned(PLACED)
    told = re.search(r"front_at_mm lies between ([0-9.]+) and ([0-9.]+)", str(refused.value))
    assert planned(PLACED.replace("front_at_mm: 77", f"front_at_mm: {told[end]}")).coverage.frame_count > 1


def test_a_stack_longer_than_the_limits_is_not_told_to_move_the_front():
    with pytest.raises(Refusal, match="shoot it in two stacks") as refused:
        planned(PLACED.replace("[2, 78]", "[2, 4]"))
    assert refused.value.key == "rail.soft_limits_mm"
