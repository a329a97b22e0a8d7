"""A bent field makes the stack longer at the end where the corners would be left out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stacker.documents.loading import load_request
from stacker.planning.draft import draft_of


def planes(plans, **changes):
    asked = load_request(plans / "leaf_beetle.yaml").value
    focus = {key: value for key, value in changes.items() if key != "width_mm"}
    subject = replace(asked.subject, width_mm=changes.get("width_mm"))
    return draft_of(replace(asked, subject=subject, focus=replace(asked.focus, **focus))).planes


@pytest.mark.parametrize("bend_um", [700.0, -700.0])
def test_each_depth_is_in_focus_at_the_corners_too(plans, bend_um):
    flat, bent = planes(plans).focus_um, planes(plans, field_curvature_um=bend_um).focus_um
    depth_um = 1000 * load_request(plans / "leaf_beetle.yaml").value.subject.depth_mm
    for at_um in (0.0, bend_um):  # at the centre, and at the corners, where every plane lies so much deeper
        assert bent[1] + at_um <= 0  # one spare frame before it, as without a bend
        assert bent[-2] + at_um >= depth_um
    step_um = flat[1] - flat[0]
    assert abs((bent[-1] - bent[0]) - (flat[-1] - flat[0]) - abs(bend_um)) <= step_um


def test_it_reaches_as_far_as_the_subject_fills_the_field(plans):
    field_mm = draft_of(load_request(plans / "leaf_beetle.yaml").value).field_mm[0]
    half = planes(plans, field_curvature_um=800.0, width_mm=field_mm / 2).focus_um
    quarter = planes(plans, field_curvature_um=200.0).focus_um  # by hand: half the width, a quarter of the bend
    assert half == pytest.approx(quarter)
