"""The plan's time and the run's agree: two programs, one on paper and one with a rail that takes its time."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from driving.runs import person

from stacker.documents.plan_file import read_plan
from stacker.driving.drive import Wishes, drive
from stacker.driving.job import job_of

DRIVEN = [
    path for path in sorted((Path(__file__).parents[2] / "plans").glob("*.plan.yaml")) if "lead_mm" in path.read_text()
]


def driven(path, tmp_path):
    plan = read_plan(path)
    log = tmp_path / "rail.log"
    job = job_of(plan, path, url=f"sim://bench?time_scale=inf&log={log}&exposure_s=0.001")
    told = []
    outcome = drive(job, Wishes(yes=True), person(report=told.append), journal_path=tmp_path / "j.jsonl")
    shutters = [json.loads(line) for line in log.read_text().splitlines()]
    return plan, outcome, [event for event in shutters if event["event"] == "shutter"], told


def test_there_are_plans_for_motor_rails():
    assert len(DRIVEN) >= 4


@pytest.mark.parametrize("path", DRIVEN, ids=lambda path: path.stem)
def test_a_stored_plan_is_exposed_in_its_places_and_in_its_time_within_one_percent(path, tmp_path):
    plan, outcome, shutters, told = driven(path, tmp_path)
    assert outcome.duration_s == pytest.approx(plan.budget.duration_s, rel=0.01)
    # and the true time between first and last shutter, by the hardware's log
    starts = plan.frames.start_s
    planned_s = starts[-1] - starts[0]
    assert shutters[-1]["time_s"] - shutters[0]["time_s"] == pytest.approx(planned_s, rel=0.01)
    # time left, told on the way, adds up: half of it is the plan's, half a mean that holds the first take-up too
    middle = told[len(told) // 2]
    assert middle.elapsed_s + middle.left_s == pytest.approx(plan.budget.duration_s, rel=0.03)
    # and every frame was exposed at its place
    places = [event["position_microsteps"] for event in shutters]
    front = places[0] - plan.frames.position_microsteps[0]
    assert places == [front + position for position in plan.frames.position_microsteps]
    assert outcome.frames == tuple(plan.frames.frame)
