"""``stacker verify`` from the command line."""

from __future__ import annotations

import json
import random

import pytest
from verifying.evenings import TEN, Card, Evening


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Journal and folder of a stack of 30 frames, some of them lost; times are those of the files."""

    def make(*lost):
        one = Evening(random=random.Random(1), frames=30, cadence_s=4.0)
        one.begin(list(range(1, 31)))
        for frame in range(1, 31):
            one.shoot(frame)
        for exposure in one.exposures:
            exposure.gone = exposure.frame in lost
        Card(resolution_s=0.01).write(tmp_path / "card", one)
        return one.journal(tmp_path), tmp_path / "card"

    return make


def test_complete(stacker, run):
    journal, card = run()
    done = stacker("verify", card, "--journal", journal)
    assert done.code == 0
    assert done.out.startswith("Complete: all 30 frames are there.")
    assert "Next: stacker report" in done.err


def test_missing_frames_come_with_the_command_that_shoots_exactly_them(stacker, run):
    journal, card = run(11, 12, 20)
    done = stacker("verify", card, "--journal", journal)
    assert done.code == 1
    assert "missing: 11 (0.440 mm), 12 (0.480 mm), 20 (0.800 mm)" in done.out
    assert (
        f"Next: stacker drive {journal.with_name('moss.plan.yaml')} --frames 11-12,20 --go --front-at-mm 31.5"
        in done.err
    )
    assert max(map(len, done.out.splitlines())) <= 80


def test_an_ambiguous_loss_names_all_candidates(stacker, run):
    journal, card = run(1)
    done = stacker("verify", card, "--journal", journal)
    assert "1 of these: 1 (0.040 mm), 30 (1.200 mm)" in done.out


def test_json_and_quiet(stacker, run):
    journal, card = run(7)
    done = stacker("verify", card, "--journal", journal, "--json")
    assert done.code == 1
    result = json.loads(done.out)["result"]
    assert result["missing"] == [7]
    assert result["files"]["8"] == ["PIC_0107.jpg"]
    assert stacker("verify", card, "--journal", journal, "--quiet").out == ""


def test_bad_input(stacker, run, tmp_path):
    journal, card = run()
    assert stacker("verify", tmp_path / "nowhere", "--journal", journal).code == 1
    assert stacker("verify", card, "--journal", tmp_path / "nothing").code == 2
    assert stacker("verify", card).code == 2
    (tmp_path / "no.jsonl").write_text("hello\n")
    done = stacker("verify", card, "--journal", tmp_path / "no.jsonl")
    assert done.code == 2
    assert "no.jsonl:1:1" in done.err


def test_a_folder_without_pictures_and_a_plan_for_a_journal_are_named_as_that(stacker, run, tmp_path, plans):
    journal, card = run()
    (tmp_path / "empty").mkdir()
    done = stacker("verify", tmp_path / "empty", "--journal", journal)
    assert (done.code, "no pictures in there; is it the right folder?" in done.err) == (1, True)
    done = stacker("verify", card, "--journal", plans / "leaf_beetle.plan.yaml")
    assert (done.code, "this is no journal (not JSON); a run writes" in done.err) == (2, True)


def test_frames_are_not_shot_again_with_a_plan_made_anew(stacker, run, plans):
    journal, card = run(11)
    plan = journal.with_name("moss.plan.yaml")
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    done = stacker("verify", card, "--journal", journal)
    assert "missing: 11" in done.out
    assert f"{plan} was made anew since this run" in done.err
    assert "stacker drive" not in done.err


def test_a_run_on_the_simulated_rail_is_verified_from_its_own_journal(stacker, plans, tmp_path):
    """Files dated by the simulated hardware's log, which knows nothing of the journal; frame 5 is lost."""
    plan, log = tmp_path / "beetle.plan.yaml", tmp_path / "hardware.jsonl"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    journal = tmp_path / "beetle-20310504-220000.run.jsonl"
    url = f"sim://bench?time_scale=20&log={log}"
    done = stacker("drive", plan, "--go", "--yes", "--frames", "1-8", "--journal", journal, "--url", url)
    assert done.code == 0, done.err
    fired = [event for event in map(json.loads, log.read_text().splitlines()) if event["event"] == "shutter"]
    card, chance = Card(resolution_s=0.01, offset_s=3600.5), random.Random(0)
    (tmp_path / "card").mkdir()
    for frame, event in enumerate(fired, start=1):
        if frame != 5:
            card.file(tmp_path / "card" / f"PIC_{frame:04}.jpg", TEN + event["time_s"], chance)
    done = stacker("verify", tmp_path / "card", "--journal", journal)
    assert done.code == 1
    assert "missing: 5 (" in done.out
    assert "not confirmed by the journal: 9-60" in done.out
    assert f"Next: stacker drive {plan} --frames 5,9-60 --go --front-at-mm 31.5" in done.err
