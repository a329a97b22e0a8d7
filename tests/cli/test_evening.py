"""``stacker evening`` from the command line."""

from __future__ import annotations

import json

import pytest


@pytest.fixture
def two(plans):
    return plans / "leaf_beetle.plan.yaml", plans / "weevil_reversed.plan.yaml"


def test_the_table_fits_a_terminal_and_ends_with_the_finish(stacker, two):
    done = stacker("evening", *two, "--start", "19:30", "--setup-min", "20")
    assert done.code == 0
    assert max(map(len, done.out.splitlines())) <= 80
    assert "  19:30  " in done.out
    assert "finish " in done.out
    assert f"Next: stacker drive {two[0]}" in done.err


def test_json_holds_the_same_times(stacker, two):
    result = json.loads(stacker("evening", *two, "--start", "2031-03-01T23:59", "--json").out)["result"]
    assert result["starts"].startswith("2031-03-01T23:59:00")
    assert len(result["stacks"]) == 2
    assert result["stacks"][1]["begins_s"] == pytest.approx(result["stacks"][0]["ends_s"] + 900)
    assert result["finishes"].startswith("2031-03-02T")


def test_a_hand_stack_has_no_finish(stacker, plans):
    done = stacker("evening", plans / "calcite_by_hand.plan.yaml")
    assert "finish     unknown" in done.out
    assert "not known" in done.out


def test_a_hand_stack_whose_pace_is_known_has_a_finish(stacker, plans, tmp_path):
    plan = tmp_path / "by_hand.plan.yaml"
    assert stacker("plan", plans / "calcite_by_hand.yaml", "--set", "rail.frame_s=20", "-o", plan).code == 0
    result = json.loads(stacker("evening", plan, "--start", "2031-03-01T10:00", "--json").out)["result"]
    assert result["stacks"][0]["duration_s"] == 20 * result["stacks"][0]["frames"]
    done = stacker("evening", plan)
    assert "finish     " in done.out
    assert "finish     unknown" not in done.out
    assert "not known" not in done.out


def test_quiet(stacker, two):
    assert stacker("evening", *two, "--quiet").out == ""


def test_two_stacks_are_both_and_one_is_compared_with_nothing(stacker, two):
    assert "to keep both open for blending" in " ".join(stacker("evening", *two).out.split())
    assert "to keep all 3 open" in " ".join(stacker("evening", *two, two[0]).out.split())
    alone = " ".join(stacker("evening", two[0]).out.split())
    assert "GB for blending" in alone
    assert "largest" not in alone
