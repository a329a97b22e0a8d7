"""The sample plans are what the planner gives today, byte for byte, and a person would recognise the work."""

from __future__ import annotations

from pathlib import Path

import pytest

from stacker.documents.loading import load_request
from stacker.documents.plan_file import plan_text, read_plan
from stacker.planning.planner import plan_of

FOLDER = Path(__file__).resolve().parents[2] / "plans"
REQUESTS = sorted(path for path in FOLDER.glob("*.yaml") if not path.name.endswith(".plan.yaml"))


@pytest.mark.parametrize("path", REQUESTS, ids=lambda path: path.stem)
def test_the_stored_plan_is_what_the_planner_gives(path):
    loaded = load_request(path)
    stored = path.with_suffix(".plan.yaml").read_bytes()
    assert plan_text(plan_of(loaded.value, loaded.assumed)).encode() == stored


def test_no_plan_is_without_its_request():
    assert sorted(path.name.removesuffix(".plan.yaml") for path in FOLDER.glob("*.plan.yaml")) == [
        path.stem for path in REQUESTS
    ]


def test_the_samples_cover_every_kind_of_rig_and_of_motion():
    plans = [read_plan(path.with_suffix(".plan.yaml")) for path in REQUESTS]
    assert {plan.request.rig.kind for plan in plans} == {"lens", "reversed", "coupled", "objective", "measured"}
    assert {plan.request.moves for plan in plans} == {"camera", "subject", "rear"}
    assert {plan.request.order for plan in plans} == {"front_to_back", "back_to_front"}
    assert {type(plan.request.rail).__name__ for plan in plans} == {"RailProfile", "HandRail", "NoneType"}
    assert any(plan.request.subject.zones for plan in plans)
