"""``stacker export`` from the command line."""

from __future__ import annotations

import csv
import json

import pytest

from stacker.documents.plan import COLUMNS


@pytest.mark.parametrize("form", ["csv", "gcode"])
def test_prints_what_it_would_write(stacker, plans, tmp_path, form):
    plan = plans / "leaf_beetle.plan.yaml"
    target = tmp_path / "out"
    assert stacker("export", plan, "--format", form, "-o", target).code == 0
    done = json.loads(stacker("export", plan, "--format", form, "--json").out)
    assert done["result"]["text"].encode() == target.read_bytes()
    printed = stacker("export", plan, "--format", form).out
    assert printed.splitlines() == target.read_text(encoding="utf-8").splitlines()


def test_csv_file_is_read_by_pythons_reader(stacker, plans, tmp_path):
    target = tmp_path / "beetle.csv"
    done = stacker("export", plans / "leaf_beetle.plan.yaml", "--format", "csv", "-o", target)
    assert "Next: " in done.err
    with target.open(newline="") as file:
        assert next(csv.reader(file)) == list(COLUMNS)


def test_a_dial_sheet_of_a_motor_plan_is_refused_with_the_way_out(stacker, plans):
    done = stacker("export", plans / "leaf_beetle.plan.yaml", "--format", "dial")
    assert done.code == 1
    assert "dial: {mm_per_turn" in done.err
    assert done.out == ""


def test_the_plan_itself_is_never_overwritten(stacker, plans, tmp_path):
    plan = tmp_path / "a.plan.yaml"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    before = plan.read_bytes()
    assert stacker("export", plan, "--format", "csv", "-o", plan).code == 1
    assert plan.read_bytes() == before


def test_an_edited_plan_is_refused(stacker, plans, tmp_path):
    plan = tmp_path / "a.plan.yaml"
    plan.write_text((plans / "leaf_beetle.plan.yaml").read_text().replace("name: ", "name: x", 1))
    done = stacker("export", plan, "--format", "csv")
    assert done.code == 1
    assert "digest" in done.err


def test_a_board_that_takes_milliseconds_and_no_comments(stacker, plans, tmp_path):
    plan = plans / "leaf_beetle.plan.yaml"
    target = tmp_path / "beetle.nc"
    words = ("export", plan, "--format", "gcode", "--dwell", "milliseconds", "--plain", "-o", target)
    assert stacker(*words).code == 0
    assert stacker(*words).code == 0  # its own file may be written again
    lines = target.read_text(encoding="utf-8").splitlines()
    assert lines[:3] == ["G21", "G90", "G94"]
    assert "G4 P800" in lines
