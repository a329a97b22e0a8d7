"""Names of files that belong together."""

from __future__ import annotations

from pathlib import Path

import pytest

from stacker.documents.files import plan_command, plan_path, purpose_of, request_path, stem_of


@pytest.mark.parametrize("purpose", ["stack", "survey", "target"])
@pytest.mark.parametrize("name", ["beetle.yaml", "beetle.yml", "a.b.yaml", "beetle"])
def test_a_plan_lies_beside_its_request(name, purpose):
    plan = plan_path(Path("bench") / name, purpose)
    before = purpose != "stack"
    stem = name.removesuffix(".yaml").removesuffix(".yml")
    assert plan == Path("bench") / f"{stem}{f'.{purpose}' if before else ''}.plan.yaml"
    assert purpose_of(plan) == purpose
    assert request_path(plan) == Path("bench") / f"{stem}.yaml"
    assert plan_command(plan) == f"stacker plan {Path('bench') / stem}.yaml{f' --{purpose}' if before else ''}"


@pytest.mark.parametrize(
    ("name", "stem"),
    [("x.plan.yaml", "x"), ("x.yaml", "x"), ("x.yml", "x"), ("x.survey.plan.yaml", "x.survey"), ("x.plan", "x.plan")],
)
def test_all_that_is_made_of_a_plan_begins_like_it(name, stem):
    assert stem_of(f"bench/{name}") == stem


def test_a_plan_under_another_name_has_no_request():
    assert request_path(Path("mine.yaml")) is None
    assert plan_command(Path("mine.yaml")) == "stacker plan mine.yaml"
