"""Subjects hardly deeper than a slice."""

from __future__ import annotations

import pytest

from stacker.documents.loading import load_request
from stacker.planning.planner import plan_of

# f/16.5 effective at half life size: a slice is 2.05 mm thick (0.85 lam/NA^2 and a little, NA 0.01515)
TEXT = """
rig: {kind: measured, magnification: 0.5, f_number: 11}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}
subject: {depth_mm: 2}
focus: {end_frames: 0}
"""


def advised(*changes):
    loaded = load_request("x.yaml", changes, text=TEXT)
    return [advice.text for advice in plan_of(loaded.value, loaded.assumed).advice if "One frame" in advice.text]


def test_one_frame_is_advised_where_the_subject_lies_within_a_slice():
    assert advised() == [
        "One frame would do: the subject is 2 mm deep, and a slice is 2.05 mm thick. Focus on the middle of the depth."
    ]


@pytest.mark.parametrize(
    "change",
    ["subject.depth_mm=2.1", "subject.zones=[{from_mm: 0, to_mm: 1, overlap: 0.5}]", "focus.kept_contrast=0.9"],
)
def test_a_stack_is_a_stack_where_it_does_not(change):
    assert not advised(change)


def test_a_subject_of_no_depth_is_one_frame():
    loaded = load_request("x.yaml", ("subject.depth_mm=1.0e-13",), text=TEXT)
    plan = plan_of(loaded.value, loaded.assumed)
    assert (plan.coverage.frame_count, plan.frames.focus_um) == (1, [0])
    assert (plan.coverage.step_um, plan.coverage.overlap, plan.coverage.seam_contrast) == (None, None, None)
    assert [advice.text[:9] for advice in plan.advice] == ["One frame"]
