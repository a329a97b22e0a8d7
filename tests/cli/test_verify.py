"""``stacker verify`` from the command line."""

from __future__ import annotations

import dataclasses
import json
import os
import random
import sys

import pytest
from verifying.evenings import TEN, Card, Evening, evening, lose, made_up, picture_bytes, verdict_on
from verifying.test_stacks import run_again

from stacker.figures import harmless
from stacker.presenting.verdict_text import verdict_text
from stacker.verifying.folder import read_folder


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
    assert done.err == f"Next: stacker sort {card} --journal {journal} --into DIR\n"


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
    (result,) = json.loads(done.out)["result"]["stacks"]
    assert result["missing"] == [7]
    assert result["files"]["8"] == ["PIC_0107.jpg"]
    assert stacker("verify", card, "--journal", journal, "--quiet").out == ""


def test_the_journal_says_how_long_the_brackets_are(stacker, tmp_path):
    one = evening(frames=12, cadence_s=6.0, chance=random.Random(3))
    one.lines[0]["pictures_a_frame"] = 2
    one.exposures[:] = [
        dataclasses.replace(exposure, at_s=exposure.at_s + 0.7 * second, number=2 * exposure.number + second)
        for exposure in one.exposures
        for second in (0, 1)
    ]
    Card(resolution_s=0.01).write(tmp_path / "card", one)
    journal = one.journal(tmp_path)
    done = stacker("verify", tmp_path / "card", "--journal", journal)
    assert done.code == 0, done.out
    assert "Complete: all 12 frames are there." in done.out
    sorted((tmp_path / "card").iterdir())[9].unlink()  # one of the two of frame 5
    missing, not_known = (
        stacker("verify", tmp_path / "card", "--journal", journal, *said).out for said in ((), ("--bracket", "1"))
    )
    assert "missing" in missing
    assert "5 (0.200 mm)" in missing
    assert not_known.startswith("Not proven complete: 12 frames may be there")
    one.lines[0]["pictures_a_frame"] = 1
    other = one.journal(tmp_path, "moss-20310504-230000.run.jsonl")
    mixed = stacker("verify", tmp_path / "card", "--journal", journal, "--journal", other)
    assert mixed.code == 2
    assert "take them one by one" in mixed.err


def test_a_folder_that_is_not_there_is_refused(stacker, run, tmp_path):
    journal, _ = run()
    assert stacker("verify", tmp_path / "nowhere", "--journal", journal).code == 1


def test_a_folder_without_pictures_and_a_plan_for_a_journal_are_named_as_that(stacker, run, tmp_path, plans):
    journal, card = run()
    (tmp_path / "empty").mkdir()
    done = stacker("verify", tmp_path / "empty", "--journal", journal)
    assert (done.code, "no pictures in it; is it the right folder?" in done.err) == (1, True)
    done = stacker("verify", card, "--journal", plans / "leaf_beetle.plan.yaml")
    assert (done.code, "this is no journal (not JSON); a run writes" in done.err) == (2, True)


def test_frames_are_not_shot_again_with_a_plan_made_anew(stacker, run, plans):
    journal, card = run(11)
    plan = journal.with_name("moss.plan.yaml")
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    done = stacker("verify", card, "--journal", journal)
    assert "missing: 11" in done.out
    assert f"{plan} has been made again since this run" in done.err
    assert "stacker drive" not in done.err


def test_a_run_on_the_simulated_rail_is_verified_from_its_own_journal(stacker, plans, tmp_path):
    """Files dated by the simulated hardware's log, which knows nothing of the journal; frame 5 is lost."""
    plan, log = tmp_path / "beetle.plan.yaml", tmp_path / "hardware.jsonl"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    journal = tmp_path / "beetle-20310504-220000.run.jsonl"
    url = f"sim://bench?time_scale=inf&log={log}"
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


def test_two_runs_of_a_plan_are_told_apart(stacker, tmp_path):
    first = evening(frames=30)
    second = lose(run_again(first), 12)
    for one in (first, second):
        Card(resolution_s=0.01).write(tmp_path / "card", one)
    names = ("moss-20310504-220000.run.jsonl", "moss-20310504-221000.run.jsonl")
    one, other = (run.journal(tmp_path, name) for run, name in zip((first, second), names, strict=True))
    done = stacker("verify", tmp_path / "card", "--journal", one, "--journal", other)
    assert done.code == 1
    assert f"{names[0]}:\nComplete: all 30 frames are there.\n{names[1]}:\nNOT complete: 1 frame of 30" in done.out
    assert done.err.count("Next:") == 1
    assert "--frames 12 --go" in done.err
    alone = stacker("verify", tmp_path / "card", "--journal", other)
    assert alone.code == 1
    assert "29 pictures beyond these fit the journal as well" in alone.out
    result = json.loads(stacker("verify", tmp_path / "card", "--journal", one, "--journal", other, "--json").out)
    assert [stack["complete"] for stack in result["result"]["stacks"]] == [True, False]


def test_spoilt_files_are_named_with_their_frames(stacker, run):
    journal, card = run()
    for name, data in (("PIC_0104.jpg", b""), ("PIC_0109.jpg", picture_bytes("x")[:-2])):
        status = (card / name).stat()
        (card / name).write_bytes(data)
        os.utime(card / name, (status.st_atime, status.st_mtime))
    done = stacker("verify", card, "--journal", journal)
    assert done.code == 1
    assert done.out.startswith("NOT complete: 2 files damaged or in doubt.\n")
    assert "empty: PIC_0104.jpg (frame 5, 0.200 mm)" in done.out
    assert "cut short: PIC_0109.jpg (frame 10, 0.400 mm)" in done.out
    assert "--frames 5,10 --go" in done.err


def test_a_count_that_times_leave_open_is_told_as_one(tmp_path):
    """An evening with a resume, of which one reading alone once made "4 frames of 20 missing" where 3 were."""
    one, card, exif = made_up(1089)
    card.write(tmp_path / "card", one)
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=exif))
    assert len(one.missing()) == 3
    assert verdict_text([verdict])[0] == "NOT complete: 3 or 4 frames of 20 missing."


def test_what_was_taken_out_of_turn_is_not_to_be_sorted_by_time(stacker, tmp_path):
    first = lose(evening(), 5)
    again = run_again(first, [5])
    for one in (first, again):
        Card(resolution_s=0.01).write(tmp_path / "card", one)
    journals = [first.journal(tmp_path), again.journal(tmp_path, "moss-20310504-221000.run.jsonl")]
    done = stacker("verify", tmp_path / "card", *(part for path in journals for part in ("--journal", path)))
    assert done.code == 0
    assert "taken out of turn: 5 (PIC_0112.jpg). Neither capture order" in done.out
    assert "sort by" not in done.out


@pytest.mark.skipif(sys.platform != "linux", reason="names with such signs need a file system that takes any bytes")
def test_names_that_command_a_terminal_do_not(stacker, run):
    journal, card = run()
    (card / "PIC_0120.jpg").rename(card / "a\x1b[2J\u202egpj.jpg")  # out of turn by name
    (card / "stray\x1b[7m.jpg").write_bytes(picture_bytes("stray"))
    os.utime(card / "stray\x1b[7m.jpg", (TEN - 90_000.3,) * 2)
    (card / "PIC_0110 copy.jpg").write_bytes((card / "PIC_0110.jpg").read_bytes())
    (card / "PIC_0101.jpg").rename(card / os.fsdecode(b"\xff_1.jpg"))
    (card / "PIC_0105.jpg").rename(card / "PIC_0105\u202e\x1b[31m.jpg")
    (card / "PIC_0105\u202e\x1b[31m.jpg").write_bytes(b"")
    for options in ((), ("--json",)):
        done = stacker("verify", card, "--journal", journal, *options)
        assert options or all(word in done.out for word in ("a?[2J?gpj.jpg", "stray?[7m.jpg", "PIC_0105??[31m.jpg"))
        assert harmless(done.out) == done.out
        assert harmless(done.err) == done.err
    result = json.loads(done.out)["result"]["stacks"][0]
    assert result["files"]["2"] == ["\udcff_1.jpg"]


def test_explain_knows_the_words_of_the_verdict(stacker):
    for word in ("capture order", "file times", "missing", "copies", "out of turn", "damaged or in doubt", "complete"):
        assert stacker("explain", word).code == 0, word
