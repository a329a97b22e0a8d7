"""A plan older than what it was made from is noticed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from stacker.documents.loading import load_request
from stacker.documents.outdated import changed_request, refuse_wider_limits
from stacker.documents.plan_file import read_plan, write_plan
from stacker.errors import Refusal
from stacker.planning.planner import plan_of
from stacker.planning.survey import survey_of

PLANS = Path(__file__).resolve().parents[2] / "plans"


@pytest.mark.parametrize("path", sorted(PLANS.glob("*.plan.yaml")), ids=lambda path: path.name)
def test_a_plan_just_made_is_up_to_date(path):
    assert changed_request(read_plan(path), path) is None


@pytest.mark.parametrize(
    ("name", "before", "after"),
    [
        ("leaf_beetle.yaml", "depth_mm: ", "depth_mm: 1"),
        ("leaf_beetle.yaml", "depth_mm: ", "depht_mm: "),
        ("rails/bench.yaml", "backlash_um: ", "backlash_um: 1"),
    ],
    ids=["a value", "a fault", "the rail"],
)
def test_a_change_of_the_request_or_of_a_file_that_it_names_is_noticed(tmp_path, name, before, after):
    bench = shutil.copytree(PLANS, tmp_path / "plans")
    plan = bench / "leaf_beetle.plan.yaml"
    text = (bench / name).read_text(encoding="utf-8")
    assert before in text
    (bench / name).write_text(text + "\n# a comment is no change\n", encoding="utf-8")
    assert changed_request(read_plan(plan), plan) is None
    (bench / name).write_text(text.replace(before, after), encoding="utf-8")
    assert changed_request(read_plan(plan), plan) == bench / "leaf_beetle.yaml"


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("soft_limits_mm: [2, 78]", "soft_limits_mm: [2, 60]", "soft_limits_mm 2 to 78, there 2 to 60"),
        ("soft_limits_mm: [2, 78]", "soft_limits_mm: [5, 78]", "soft_limits_mm 2 to 78, there 5 to 78"),
        ("travel_mm: 80", "travel_mm: 79", "travel_mm 80, there 79"),
        ("speed_mm_s: 3", "speed_mm_s: 1", "speed_mm_s 3, there 1"),
        ("lead_mm: 2", "lead_mm: 1", "a microstep of 0.625 um, there 0.3125"),
    ],
)
def test_a_plan_that_allows_more_than_the_rail_of_its_request_is_refused(tmp_path, before, after, said):
    bench = shutil.copytree(PLANS, tmp_path / "plans")
    path, rail = bench / "leaf_beetle.plan.yaml", bench / "rails" / "bench.yaml"
    plan, text = read_plan(path), rail.read_text(encoding="utf-8")
    refuse_wider_limits(plan, path)
    assert before in text
    rail.write_text(text.replace(before, after), encoding="utf-8")
    with pytest.raises(Refusal) as refused:
        refuse_wider_limits(plan, path)
    assert said in str(refused.value)
    rail.write_text(text.replace("soft_limits_mm: [2, 78]", "soft_limits_mm: [1, 79]"), encoding="utf-8")
    refuse_wider_limits(plan, path)  # narrower than its rail is no fault
    (bench / "leaf_beetle.yaml").unlink()
    refuse_wider_limits(plan, path)


def test_a_survey_may_not_allow_more_than_the_rail_of_its_request_either(tmp_path):
    bench = shutil.copytree(PLANS, tmp_path / "plans")
    request, path = bench / "leaf_beetle.yaml", bench / "leaf_beetle.survey.plan.yaml"
    write_plan(plan_of(survey_of(load_request(request).value), {}), path)
    refuse_wider_limits(read_plan(path), path)
    assert changed_request(read_plan(path), path) is None  # a survey is never what its request asks for
    rail = bench / "rails" / "bench.yaml"
    text = rail.read_text(encoding="utf-8")
    rail.write_text(text.replace("soft_limits_mm: [2, 78]", "soft_limits_mm: [2, 60]"), encoding="utf-8")
    with pytest.raises(Refusal, match=r"there 2 to 60\. Plan again: stacker plan .*leaf_beetle\.yaml --survey"):
        refuse_wider_limits(read_plan(path), path)


@pytest.mark.parametrize("index", [1.0, 1.5])
def test_a_survey_between_two_rail_positions_is_made_again_between_them(tmp_path, index):
    path = tmp_path / "leaf_beetle.survey.plan.yaml"
    keys = {"front_at_mm": 40, "depth_mm": 2.5 * index, "index": index, "zones": [], "gaps": []}
    request = load_request(PLANS / "leaf_beetle.yaml", [f"subject.{key}={value}" for key, value in keys.items()]).value
    survey = plan_of(survey_of(request), {})
    assert survey.again(path).endswith("leaf_beetle.yaml --survey --from-mm 40 --to-mm 42.5")
    assert plan_of(request, {}).again(tmp_path / "leaf_beetle.plan.yaml").endswith("leaf_beetle.yaml")  # says it itself
    write_plan(survey, path)
    path.write_bytes(path.read_bytes().replace(b"name: ", b"name:  ", 1))
    with pytest.raises(Refusal, match=r"--survey --from-mm 40 --to-mm 42\.5$"):
        read_plan(path)


def test_a_plan_without_its_request_is_not_judged(tmp_path):
    for name in ("alone.plan.yaml", "any.yaml"):
        path = tmp_path / name
        path.write_bytes((PLANS / "leaf_beetle.plan.yaml").read_bytes())
        assert changed_request(read_plan(path), path) is None
