"""The short run through a flat target, planned from the request of the stack to come."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from planning.test_survey import REQUEST, requests

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan
from stacker.planning.draft import draft_of
from stacker.planning.target import target_of


@given(requests())
def test_it_steps_by_a_quarter_of_a_slice_through_two_and_a_half(asked):
    stack, target = draft_of(asked), draft_of(target_of(asked))
    slice_um, steps_um = stack.planes.slice_um[0], target.planes.focus_um[1:] - target.planes.focus_um[:-1]
    assert steps_um.max() <= slice_um / 4 * 1.001
    assert target.planes.focus_um[-1] >= 2.5 * slice_um * 0.99
    # 11 in it and one beyond each end: more where steps are rounded down to whole um
    assert 11 <= target.planes.frame_count <= 16 or steps_um.min() < 0.8 * slice_um / 4


def test_what_the_stack_says_of_its_subject_does_not_matter():
    request = load_request("lacewing.yaml", text=REQUEST).value
    target = target_of(request)
    assert (target.purpose, target.name, target.panels) == ("target", "Lacewing, target", None)
    assert (target.subject.zones, target.subject.gaps, target.subject.front_at_mm) == ((), (), None)
    behind_a_face = replace(request.subject, index=1.5, below_face_mm=2.0, depth_mm=9.0, width_mm=90.0, height_mm=60.0)
    assert target_of(replace(request, subject=behind_a_face)).subject == target.subject
    assert (target.rig, target.camera, target.rail) == (request.rig, request.camera, request.rail)


@pytest.fixture
def planned(stacker, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("lacewing.yaml").write_text(REQUEST, encoding="utf-8")
    result = stacker("plan", "lacewing.yaml", "--target")
    assert result.code == 0, result.err
    return result


def test_its_plan_lies_beside_the_request_and_says_where_the_target_is_to_be(planned, stacker):
    plan = read_plan(Path("lacewing.target.plan.yaml"))
    middle_mm = (plan.frames.focus_um[0] + plan.frames.focus_um[-1]) / 2 / 1000
    assert f"set the rail back by {middle_mm:.3f} mm: a run begins where" in planned.err
    assert planned.err.endswith("Next: stacker drive lacewing.target.plan.yaml\n")
    assert plan.advice == ()  # its frames are not blended
    card = " ".join(planned.out.split())
    assert "[ ] target square before the lens" in card
    assert "tilted" not in card
    assert "framed loosely" not in card
    assert "Only tried" in stacker("plan", "lacewing.yaml", "--target", "--set", "rig.f_number=8").err
    stack = stacker("plan", "lacewing.yaml")
    assert "set the rail back" not in stack.err


@pytest.mark.parametrize("name", ["lichen_panels", "calcite_by_hand", "fly_wing_coupled"])
def test_whatever_the_stack_is_the_run_is_one_of_some_fourteen_frames(name, plans, stacker, tmp_path):
    """Of a subject larger than the field, too: the target is not that subject."""
    path = tmp_path / "target.plan.yaml"
    done = stacker("plan", plans / f"{name}.yaml", "--target", "-o", path)
    assert done.code == 0, done.err
    plan = read_plan(path)
    assert plan.panels is None
    assert 12 <= plan.frames_in_all <= 16
    assert max(map(len, done.out.splitlines())) <= 80


def test_a_request_that_changes_does_not_make_the_plan_of_a_target_an_old_one(planned, stacker):
    assert planned.code == 0
    assert stacker("check", "lacewing.target.plan.yaml").code == 0
    assert "says something else" not in stacker("drive", "lacewing.target.plan.yaml").err


def test_two_runs_before_a_stack_are_planned_one_by_one(stacker, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("lacewing.yaml").write_text(REQUEST, encoding="utf-8")
    both = stacker("plan", "lacewing.yaml", "--survey", "--target")
    assert both.code == 2
    assert "--survey and --target are two runs" in both.err
    ends = stacker("plan", "lacewing.yaml", "--target", "--from-mm", "3", "--to-mm", "5")
    assert "go together, and with --survey" in ends.err
