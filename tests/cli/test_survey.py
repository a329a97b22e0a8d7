"""``stacker survey``, from a request whose depth nobody knows to the one that a stack is planned from."""

from __future__ import annotations

import json
import os
from datetime import datetime, timedelta

import numpy as np
import pytest
from cli.look_bench import SHAPE, planned, shoot
from darkroom.scenes import SCENES, Scene

from stacker.documents.loading import load_request
from stacker.documents.panels import of_panel
from stacker.documents.plan_file import read_plan

BEGIN_MM, END_MM = 10.0, 16.0
FRONT_UM, GAP_UM, LONG_UM, BACK_UM = 1500.0, 2500.0, 1500.0, 4800.0


def subject() -> Scene:
    """A rough one from 1.5 to 4.8 mm behind the place where the survey begins, with nothing from 2.5 to 4.0 mm."""
    ((depth, light),) = SCENES["rough"](SHAPE, BACK_UM - FRONT_UM - LONG_UM, np.random.default_rng(5)).surfaces
    depth += FRONT_UM
    return Scene(surfaces=[(np.where(depth < GAP_UM, depth, depth + LONG_UM), light)])


@pytest.fixture
def survey(stacker, tmp_path):
    """A survey that was driven past the subject: plan, journal, card."""
    planned(stacker, tmp_path)
    done = stacker(
        *("plan", tmp_path / "moss.yaml", "--survey", "--from-mm", BEGIN_MM, "--to-mm", END_MM, "--quiet"),
    )
    assert done.code == 0, done.err

    def driven(scene):
        plan = read_plan(tmp_path / "moss.survey.plan.yaml")
        journal, card = shoot(plan, tmp_path, scene=scene, journal="moss.survey-20310504-220000Z.run.jsonl")
        lines = journal.read_text(encoding="utf-8").splitlines()
        head = json.loads(lines[0])
        # the rail stood at BEGIN_MM with the plane of focus at depth 0
        head["front_at_microsteps"] = round(BEGIN_MM * head["microsteps_per_mm"])
        journal.write_text("\n".join([json.dumps(head), *lines[1:]]) + "\n", encoding="utf-8")
        return plan, journal, card

    return driven


def test_front_depth_and_gap_go_into_the_request_and_the_stack_leaves_the_gap_out(stacker, tmp_path, survey):
    plan, journal, card = survey(subject())
    request = tmp_path / "moss.yaml"
    request.write_text(request.read_text(encoding="utf-8") + "# a note of mine\n", encoding="utf-8")
    done = stacker("survey", card, "--journal", journal, "--write", request, "--picture", tmp_path / "depths.svg")
    assert done.code == 0, done.out + done.err
    assert max(map(len, done.out.splitlines())) <= 80
    assert f"Next: stacker plan {request}" in done.err
    assert (tmp_path / "depths.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert "# a note of mine" in request.read_text(encoding="utf-8")
    found = load_request(request).value.subject
    slice_mm = plan.frames.dof_um[0] / 3000
    # as far outside as the margins make it, and inside by no more than half a slice
    assert -3 * slice_mm < found.front_at_mm - (BEGIN_MM + FRONT_UM / 1000) < 0.6 * slice_mm
    back_mm = found.front_at_mm + found.depth_mm
    assert -0.6 * slice_mm < back_mm - (BEGIN_MM + BACK_UM / 1000) < 3 * slice_mm
    ((low_mm, high_mm),) = [(gap.from_mm + found.front_at_mm, gap.to_mm + found.front_at_mm) for gap in found.gaps]
    assert low_mm > BEGIN_MM + GAP_UM / 1000 - 0.5 * slice_mm
    assert high_mm < BEGIN_MM + (GAP_UM + LONG_UM) / 1000 + 0.5 * slice_mm
    assert high_mm - low_mm > 0.4 * LONG_UM / 1000
    assert stacker("plan", request).code == 0
    stack = read_plan(tmp_path / "moss.plan.yaml")
    assert stack.coverage.frames_saved > 3
    told = json.loads(stacker("survey", card, "--journal", journal, "--json").out)["result"]
    assert told["lines"]["subject.depth_mm"] == found.depth_mm
    assert told["frames"] == len(plan.frames)


def test_a_subject_that_goes_on_is_not_written(stacker, tmp_path, survey):
    ((depth, light),) = SCENES["rough"](SHAPE, 9000.0, np.random.default_rng(6)).surfaces
    _, journal, card = survey(Scene(surfaces=[(depth - 1500.0, light)]))
    request = tmp_path / "moss.yaml"
    before = request.read_bytes()
    done = stacker("survey", card, "--journal", journal, "--write", request)
    assert done.code == 1
    assert "nothing was written, since the subject goes on beyond the survey" in done.err
    assert request.read_bytes() == before
    told = stacker("survey", card, "--journal", journal)
    assert told.code == 1
    assert "nearer than the first frame something is sharper still" in told.out
    assert "deeper than the last frame something is sharper still" in told.out


def test_pictures_that_tell_nothing_write_nothing(stacker, tmp_path, survey):
    _, journal, card = survey(Scene(surfaces=[(np.full(SHAPE, 2000.0), np.full(SHAPE, 0.4))]))
    done = stacker("survey", card, "--journal", journal, "--write", tmp_path / "moss.yaml")
    assert done.code == 1
    assert "cannot tell, because hardly any part of the picture has detail" in " ".join(done.out.split())
    assert "nothing was written, since nothing can be told" in done.err


def test_what_is_not_there_is_said(stacker, tmp_path, survey):
    _, journal, card = survey(subject())
    (tmp_path / "empty").mkdir()
    assert "no pictures in it" in stacker("survey", tmp_path / "empty", "--journal", journal).err
    plan = tmp_path / "moss.survey.plan.yaml"
    stacker("plan", tmp_path / "moss.yaml", "--survey", "--from-mm", 9, "--to-mm", 16, "--quiet")
    assert "has been made again since this run" in stacker("survey", card, "--journal", journal).err
    plan.unlink()
    assert stacker("survey", card, "--journal", journal).code != 0


def of_a_panel(journal, card, number, begins_s):
    """That run as one of a set of panels, its pictures under names of their own, some time after the others."""
    lines = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]
    digest = of_panel(lines[0]["plan"]["digest"], number)
    lines[0] |= {"panel": number, "set": "a", "axes": {}, "plan": lines[0]["plan"] | {"digest": digest}}
    lines[0]["utc"] = (datetime.fromisoformat(lines[0]["utc"]) + timedelta(seconds=begins_s)).isoformat()
    journal.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    for path in sorted(card.glob("PIC_*.jpg")):
        taken_s = path.stat().st_mtime + begins_s
        new = path.rename(path.with_name(path.name.replace("PIC_", f"P{number}_")))
        os.utime(new, (taken_s, taken_s))


def test_each_panel_gets_the_depths_that_its_own_pictures_show(stacker, tmp_path, survey):
    request = tmp_path / "moss.yaml"
    request.write_text(request.read_text(encoding="utf-8") + "panels: {across: 2, down: 1}\n", encoding="utf-8")
    again = stacker("plan", request, "--survey", "--from-mm", BEGIN_MM, "--to-mm", END_MM, "--quiet")
    assert again.code == 0, again.err
    _, journal, card = survey(subject())
    of_a_panel(journal, card, 1, 0)
    ((depth, light),) = SCENES["rough"](SHAPE, 1500, np.random.default_rng(6)).surfaces
    _, second, _ = survey(Scene(surfaces=[(depth + 2600, light)]))  # from 2.6 to 4.1 mm
    assert second == journal  # the bench has one name: the first is made again under another
    of_a_panel(second, card, 2, 3600)
    second = second.rename(second.with_name("moss.survey-20310504-230000Z.run.jsonl"))
    _, journal, _ = survey(subject())
    of_a_panel(journal, card, 1, 0)
    done = stacker("survey", card, "--journal", second, "--write", request)
    assert done.code == 0, done.out + done.err
    assert "panel 1:" in done.out
    assert "panel 2:" in done.out
    found = load_request(request).value
    whole, deep = found.panels.depths
    assert (whole.panel, whole.from_mm, whole.to_mm) == (1, 0.0, found.subject.depth_mm)
    front_mm = (found.subject.front_at_mm - BEGIN_MM) * 1000
    slice_um = read_plan(tmp_path / "moss.survey.plan.yaml").frames.dof_um[0] / 3
    assert front_mm - FRONT_UM == pytest.approx(-slice_um, abs=1.6 * slice_um)  # half a slice inside, two outside
    for said_mm, true_um in ((deep.from_mm, 2600), (deep.to_mm, 4100)):
        assert 1000 * said_mm + front_mm == pytest.approx(true_um, abs=3.5 * slice_um)
    stack = stacker("plan", request, "--json")
    panels = json.loads(stack.out)["result"]["panels"]["panels"]
    assert panels[1]["last_frame"] - panels[1]["first_frame"] < panels[0]["last_frame"] - panels[0]["first_frame"]
