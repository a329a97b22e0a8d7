"""Panels through the commands: plan, drive, verify, sort, page."""

from __future__ import annotations

import io
import json
import os
import re

import pytest
from verifying.evenings import picture_bytes

from stacker.documents.journal import read_journal

RAIL = (
    "travel_mm: 80, soft_limits_mm: [2, 78], full_steps_per_turn: 200, microsteps_per_full_step: 16, lead_mm: 2, "
    "speed_mm_s: 3, acceleration_mm_s2: 15, backlash_um: 15, settle_s: 0.3, repeatability_um: 1.5"
)


@pytest.fixture
def moss(tmp_path, monkeypatch):
    """Its request, two by two panels, the rail down a dial; and the plan's path."""
    monkeypatch.chdir(tmp_path)
    request = tmp_path / "moss.yaml"
    request.write_text(
        "rig: {kind: measured, magnification: 2, f_number: 4, working_distance_mm: 60}\n"
        "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\n"
        "light: {kind: flash, exposure_s: 0.005, recycle_s: 0.5}\n"
        "subject: {depth_mm: 0.1, width_mm: 18, height_mm: 12, front_at_mm: 30}\n"
        f"rail: {{name: main, {RAIL}, link: {{url: 'sim://bench?time_scale=inf'}}}}\n"
        f"panels:\n  across_rail: {{name: stage, {RAIL}, link: {{url: 'sim://side?time_scale=inf'}}}}\n"
        "  down_rail: {name: jack, travel_mm: 40, soft_limits_mm: [1, 39], dial: {mm_per_turn: 1, divisions: 100}}\n",
        encoding="utf-8",
    )
    return request


@pytest.fixture
def planned(stacker, moss):
    assert stacker("plan", moss).code == 0
    return moss.with_name("moss.plan.yaml")


def answering(monkeypatch, text):
    monkeypatch.setattr("sys.stdin", io.StringIO(text))


def test_the_card_has_the_map_and_who_moves(stacker, moss):
    told = " ".join(stacker("plan", moss).out.split())
    assert "in 4 panels" in told
    assert "2 x 2 of 11.8 x 7.85 mm" in told
    assert "moved across by stage and down by the dial of jack" in told
    assert re.search(r"-2\.08 1 2 \+2\.08 4 3", told)
    assert "Each takes frames 1 to" in told


def test_a_dry_run_moves_nothing_and_tells_every_panel(stacker, planned, tmp_path):
    done = stacker("drive", planned)
    assert done.code == 0
    assert "4 of 4 panels" in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    assert "panel 3: " in done.out
    assert "turns and" in done.out
    assert done.out.count("Dry run") == 1
    assert stacker("drive", planned, "--all").out.count("Dry run") == 4
    assert not list(tmp_path.glob("*.jsonl"))
    assert done.err == (f"Next: stacker drive {planned} --panel 1 --ends --go\nthen: stacker drive {planned} --go\n")
    resumed = stacker("drive", planned, "--panel", "2")
    assert resumed.err == f"Next: stacker drive {planned} --panel 2 --go\n"


def test_the_ends_of_one_panel_are_looked_at_and_every_question_fits_the_terminal(stacker, planned, monkeypatch):
    answering(monkeypatch, "y\n" * 8)
    done = stacker("drive", planned, "--panel", "1", "--ends", "--go")
    assert done.code == 0, done.err
    assert re.search(r"across: by its rail, at -\d", done.err)
    assert f"stacker drive {planned} --go --front-at-mm 30" in done.err  # all panels, from the same front
    asked = [line for line in done.err.splitlines() if not line.startswith(("Next: ", "then: "))]
    assert max(map(len, asked)) <= 80


def test_all_panels_are_driven_verified_and_sorted_a_panel_at_a_time(stacker, planned, tmp_path, monkeypatch):
    answering(monkeypatch, "y\n" * 8)
    done = stacker("drive", planned, "--go")
    assert done.code == 0, done.err
    assert "4 panels" in done.out
    journals = sorted(tmp_path.glob("*.run.jsonl"))
    assert [read_journal(path).panel for path in journals] == [1, 2, 3, 4]
    card = tmp_path / "card"
    card.mkdir()
    number = 100
    for path in journals:  # the simulated rail's time is no time of day: each panel's pictures after the other's
        begins = 1.9e9 + 1000 * number
        for line in map(json.loads, path.read_text().splitlines()):
            if line["event"] == "exposed":
                picture = card / f"M{number:04}.jpg"
                picture.write_bytes(picture_bytes(picture.name))
                os.utime(picture, (begins + line["t_s"], begins + line["t_s"]))
                number += 1
    proved = stacker("verify", card, "--journal", journals[0])
    assert "3 more" in proved.err
    assert "All 4 panels have their journals." in proved.out
    assert "panel 3, " in proved.out
    sort = stacker("sort", card, "--journal", journals[1], "--into", tmp_path / "sorted", "--go")
    folders = sorted(path.name for path in (tmp_path / "sorted").iterdir() if path.is_dir())
    assert [name[-2:] for name in folders] == ["01", "02", "03", "04"], sort.err
    journals[2].unlink()
    lacking = stacker("verify", card, "--journal", journals[0])
    assert lacking.code == 1
    assert "NOT complete: of 4 panels no journal tells of 3." in lacking.out
    assert f"stacker drive {planned} --go --resume {journals[0]}" in lacking.err


def test_nobody_at_the_keyboard_leaves_the_first_panel_untaken(stacker, planned, tmp_path, monkeypatch):
    answering(monkeypatch, "y\n")
    stopped = stacker("drive", planned, "--go")
    assert stopped.code == 3
    assert "panel 1 is not in the picture yet" in stopped.err
    assert not list(tmp_path.glob("*.jsonl"))


def test_the_page_shows_the_map(stacker, planned, tmp_path):
    pytest.importorskip("matplotlib")
    assert stacker("report", planned, "-o", tmp_path / "p.html").code == 0
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "<h2>Panels</h2>" in page
    assert 'aria-label="Map of 4 panels, 2 across and 2 down"' in page


def test_a_hand_rail_takes_no_set_and_says_why(stacker, moss, tmp_path):
    hand = "{travel_mm: 40, soft_limits_mm: [1, 39], dial: {mm_per_turn: 1, divisions: 100}}"
    plan = tmp_path / "hand.plan.yaml"
    assert stacker("plan", moss, "--set", f"rail={hand}", "--set", "subject.front_at_mm=10", "-o", plan).code == 0
    refused = stacker("drive", plan)
    assert refused.code == 1
    assert "one stack at a time" in refused.err
