"""The tables of rules in README.md of this folder are what is computed today."""

from __future__ import annotations

from pathlib import Path

import pytest
from truth.rules import RULES, SETUPS, outcome, table_as_used, table_at_0_9

README = Path(__file__).with_name("README.md")


@pytest.fixture(scope="module")
def told() -> list[str]:
    section = README.read_text(encoding="utf-8").partition("<!-- rules -->")[2].partition("<!-- /rules -->")[0]
    return [line for line in section.splitlines() if line.startswith("|")]


def test_the_readme_shows_the_tables_as_they_come_out(told):
    assert told == [*table_as_used(), *table_at_0_9()]


def test_the_default_keeps_nine_tenths_on_every_set_up():
    # 0.9 is what the planner promises by default; scipy's quadrature of the OTF, searched over all depths, is what it
    # gets. Whole microsteps of 1 nm and the search move it by under 0.005.
    for name in SETUPS:
        assert outcome(name, RULES["contrast"]).worst == pytest.approx(0.9, abs=0.005), name


def test_on_one_rig_at_equal_contrast_every_rule_needs_the_same_frames():
    # a rule is only a way to find the step: with its overlap chosen for this rig alone, all give the default's frames
    name = "2.5x f/4, 24 MP small"
    wanted = outcome(name, RULES["contrast"])
    for rule in RULES.values():
        low, high = 0.0, 0.95
        for _ in range(12):  # to 0.0002 of overlap: a fiftieth of a frame of 100
            middle = (low + high) / 2
            if outcome(name, rule, middle).worst < wanted.worst:
                low = middle
            else:
                high = middle
        assert abs(outcome(name, rule, high).frames - wanted.frames) <= 1
