"""Legal requests at the edges of what the fields accept: a plan or one clear refusal, never anything else."""

from __future__ import annotations

import pytest

from stacker.documents.loading import load_request
from stacker.errors import Refusal
from stacker.planning.planner import plan_of

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
