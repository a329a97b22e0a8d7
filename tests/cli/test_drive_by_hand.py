"""``stacker drive`` on a hand rail: the sheet without --go, frame after frame with it."""

from __future__ import annotations

import io
import itertools
import json

import pytest

from stacker.documents.journal import read_journal


@pytest.fixture
def calcite(plans, tmp_path, monkeypatch):
    """Its plan in a folder of its own, and a clock on which ten seconds pass between two looks."""
    path = tmp_path / "calcite.plan.yaml"
    path.write_bytes((plans / "calcite_by_hand.plan.yaml").read_bytes())
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("stacker.cli.by_hand.now_s", itertools.count(0.0, 10.0).__next__)
    return path


@pytest.fixture
def typed(stacker, monkeypatch):
    """A command with what a person types."""

    def run(text, *arguments):
        monkeypatch.setattr("sys.stdin", io.StringIO(text))
        return stacker(*arguments)

    return run


def journal_in(folder):
    (path,) = folder.glob("*.run.jsonl")
    return path


def test_without_go_it_is_the_sheet_and_writes_nothing(stacker, calcite, tmp_path):
    done = stacker("drive", calcite, "--frames", "3-5", "--closing-frame")
    assert done.code == 0
    assert "Dial sheet" in done.out
    assert "--frames 3-5 --closing-frame --go" in done.err
    assert [path.name for path in tmp_path.iterdir()] == [calcite.name]


def test_a_stack_is_ticked_stopped_and_gone_on_with(typed, calcite, tmp_path):
    stopped = typed("y\n" + "\n" * 7 + "u\n\nq\n", "drive", calcite, "--go")
    assert stopped.code == 3
    assert (
        "frame 1 of 19: first back to turn -2, division 19 or past it,\n  then + to turn -2, division 27" in stopped.err
    )
    assert "frame 2 of 19: turn +73, to turn 0, division 0" in stopped.err
    assert "7 of 19 frames are ticked. In doubt, to be taken again: 8." in stopped.err
    assert "nothing here sees the dial or the camera.\nLimits are yours to watch.\n" in stopped.err
    journal = journal_in(tmp_path)
    assert read_journal(journal).pending == tuple(range(8, 20))
    done = typed("y\n" + "\n" * 12, "drive", calcite, "--go", "--resume", "--json")
    assert done.code == 0
    result = json.loads(done.out)["result"]
    assert (result["ticked"], result["doubled"]) == (12, [7, 8])
    assert not read_journal(journal).pending


def test_a_word_that_is_no_answer_ticks_nothing(typed, calcite, tmp_path):
    stopped = typed("y\nyes\nq\n", "drive", calcite, "--go")
    assert "found 'yes'" in stopped.err
    assert read_journal(journal_in(tmp_path)).confirmed == {}


def test_nobody_at_the_keyboard_is_a_stop_with_all_kept(typed, calcite, tmp_path):
    stopped = typed("y\n\n\n", "drive", calcite, "--go")
    assert stopped.code == 3
    assert read_journal(journal_in(tmp_path)).confirmed == {1: 1, 2: 1}


def test_lines_that_come_faster_than_a_dial_turns_tick_nothing(typed, calcite, tmp_path, monkeypatch):
    monkeypatch.setattr("stacker.cli.by_hand.now_s", itertools.count(0.0, 0.1).__next__)
    stopped = typed("y\n" + "\n" * 30, "drive", calcite, "--go")
    assert stopped.code == 3
    assert "sooner than a dial is turned" in stopped.err
    assert read_journal(journal_in(tmp_path)).confirmed == {}


def test_the_ends_are_looked_at_alone(typed, calcite, tmp_path):
    done = typed("y\n\n\n\n", "drive", calcite, "--go", "--ends")
    assert done.code == 0
    assert read_journal(journal_in(tmp_path)).confirmed == {1: 1, 10: 1, 19: 1}
    assert read_journal(journal_in(tmp_path)).kind == "ends"


def test_the_pace_of_a_person_at_the_release_gives_the_time(stacker, plans):
    manual = ["--set", "rail.shutter={via: manual, frame_s: 12}", "--set", "camera.battery_frames=400"]
    done = stacker("plan", plans / "leaf_beetle.yaml", *manual)
    assert "12 min, 12 s a frame" in done.out  # 60 frames
    unknown = stacker("plan", plans / "leaf_beetle.yaml", "--set", "rail.shutter={via: manual}")
    assert "unknown: give rail.shutter.frame_s" in unknown.out
    refused = stacker("plan", plans / "leaf_beetle.yaml", "--set", "rail.shutter={frame_s: 12}")
    assert "rail.shutter.frame_s: found with via rail" in refused.err
