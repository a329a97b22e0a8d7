"""The journal: durable, exclusive, torn lines cut off, everything in it that a resume needs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from driving.runs import assert_complete, finish, journal_of, make_job, openings, records, run
from hypothesis import given
from hypothesis import strategies as st

from stacker.documents.journal import read_journal
from stacker.driving.durable import DurableFile
from stacker.driving.journal import Journal
from stacker.driving.run_options import RunOptions
from stacker.errors import InputError, Refusal, RunStopped


def test_a_frame_is_meant_exposed_and_confirmed_in_that_order_with_evidence(tmp_path):
    job = make_job(tmp_path, count=3)
    run(job)
    told = [(record["event"], record.get("frame")) for record in records(job)]
    frames = [(event, frame) for frame in (1, 2, 3) for event in ("intent", "exposed", "confirmed")]
    assert told == [("run", None), *frames, ("end", None)]
    assert {record["evidence"] for record in records(job, "confirmed")} == {"sync"}
    times = [record["t_s"] for record in records(job)]
    assert times == sorted(times)


def test_the_header_holds_the_plans_rows_and_what_a_resume_compares(tmp_path):
    job = make_job(tmp_path, count=3)
    run(job)
    header = records(job, "run")[0]
    assert header["plan"]["digest"] == job.digest
    assert header["plan"]["rows"] == [list(row) for row in job.rows]
    assert (header["profile_digest"], header["front_at_microsteps"]) == (job.profile_digest, 64_000)


class Noting(DurableFile):
    """Writes down the order of writes, syncs and shutter openings."""

    order: list[str]

    def write(self, data):
        super().write(data)
        self.order.append(json.loads(data)["event"])

    def sync(self):
        super().sync()
        self.order.append("sync")


def test_intent_is_on_the_disk_before_the_shutter_and_confirmation_before_the_next_move(tmp_path, monkeypatch):
    from stacker.rail.line import LineController

    order = Noting.order = []
    asked = LineController.ask

    def ask(self, verb, *arguments):
        if verb in ("fire", "move"):
            order.append(verb)
        return asked(self, verb, *arguments)

    monkeypatch.setattr(LineController, "ask", ask)
    run(make_job(tmp_path, count=3), opener=Noting)
    frame = ["intent", "sync", "fire", "exposed", "confirmed", "sync"]
    assert order == ["run", "sync", "move", "move", *frame, "move", *frame, "move", *frame, "end", "sync"]


def test_an_existing_journal_is_never_overwritten(tmp_path):
    job = make_job(tmp_path, count=2)
    run(job)
    before = journal_of(job).read_bytes()
    with pytest.raises(Refusal, match="--resume"):
        run(job)
    assert journal_of(job).read_bytes() == before


def test_two_runs_never_write_one_journal(tmp_path):
    path = tmp_path / "j.run.jsonl"
    first = DurableFile(path, new=True)
    with pytest.raises(Refusal, match="another run is writing it"):
        DurableFile(path, new=False)
    code = (
        "import sys, pathlib\nfrom stacker.driving.durable import DurableFile\n"
        "DurableFile(pathlib.Path(sys.argv[1]), new=False)"
    )
    other = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False)
    assert "another run is writing it" in other.stderr
    first.close()
    DurableFile(path, new=False).close()


@given(cut=st.integers(0, 2000))
def test_a_journal_cut_anywhere_is_read_up_to_its_last_whole_line(tmp_path_factory, cut):
    path = tmp_path_factory.getbasetemp() / "cut.run.jsonl"
    whole = tmp_path_factory.getbasetemp() / "whole" / "demo.run.jsonl"
    if not whole.exists():
        whole.parent.mkdir()
        run(make_job(whole.parent, count=4))
    data = whole.read_bytes()[:cut]
    path.write_bytes(data)
    if b"\n" not in data:
        with pytest.raises(InputError, match="start a new run"):
            read_journal(path)
        return
    past = read_journal(path)
    assert past.whole_bytes == data.rfind(b"\n") + 1
    lines = [json.loads(line) for line in data[: past.whole_bytes].splitlines()]
    confirmed = {line["frame"] for line in lines if line["event"] == "confirmed"}
    assert set(past.pending) == {1, 2, 3, 4} - confirmed
    assert set(past.ambiguous) == {line["frame"] for line in lines if line["event"] == "intent"} - confirmed


def test_a_torn_last_line_is_cut_off_before_anything_is_appended(tmp_path):
    job = make_job(tmp_path, count=4)
    run(job)
    data = journal_of(job).read_bytes()
    at = data.index(b'"confirmed","frame":3')
    journal_of(job).write_bytes(data[:at])
    run(job, resume=True)
    for line in journal_of(job).read_text().splitlines():
        json.loads(line)
    assert openings(job)[-2:] == openings(job)[2:4]  # frames 3 and 4 once more
    assert read_journal(journal_of(job)).doubled == (3,)  # 4 has no intent left in the cut journal


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "not a journal"),
        ("hello\n", r"1:1: this is no journal \(not JSON\); a run writes"),
        ('{"event":"intent"}\n', "not a journal of format 2"),
        ('{"event":"run","stacker_journal":99}\n', "not a journal of format 2"),
        ('{"event":"run","stacker_journal":1}\n', "plan: not there"),
        ('{"event":"run","stacker_journal":2}\n', "lost its check code"),
    ],
)
def test_what_is_no_journal_is_told(tmp_path, text, message):
    path = tmp_path / "x.run.jsonl"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_journal(path)


def test_a_journal_of_another_plan_or_profile_is_refused(tmp_path):
    from dataclasses import replace

    job = make_job(tmp_path, count=3)
    run(job, run_options=RunOptions(yes=True, frames=(1, 2)))
    for change, words in (
        ({"digest": "e" * 64}, "another plan"),
        ({"profile_digest": "q" * 64}, "another rail profile"),
    ):
        with pytest.raises(Refusal, match=words):
            run(replace(job, **change), resume=True)


def test_nothing_left_is_told(tmp_path):
    job = make_job(tmp_path, count=2)
    run(job)
    with pytest.raises(Refusal, match="every frame of that run is confirmed"):
        run(job, resume=True)


def test_a_disk_that_is_full_from_the_start_leaves_no_journal_behind(tmp_path):
    class Full(DurableFile):
        def write(self, data):
            super().write(data[:20])
            raise OSError(28, "No space left on device")

    job = make_job(tmp_path)
    with pytest.raises(Refusal, match=r"No space left on device.*nothing moved"):
        run(job, opener=Full)
    assert not journal_of(job).exists()
    assert not openings(job)
    finish(job)
    assert_complete(job)


def test_a_write_that_fails_stops_the_run_and_is_told(tmp_path):
    class Broken:
        def write(self, _):
            raise OSError(28, "No space left on device")

    with pytest.raises(RunStopped, match=r"No space left on device.*no more frames are taken"):
        Journal(Broken(), tmp_path / "j", lambda: 0.0).write("intent", frame=1)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_device_that_is_really_full(tmp_path):
    file = DurableFile(tmp_path / "j", new=True)
    own, file._descriptor = file._descriptor, os.open("/dev/full", os.O_WRONLY)
    with pytest.raises(RunStopped, match="no more frames are taken"):
        Journal(file, tmp_path / "j", lambda: 0.0).write("intent", frame=1)
    file.close()
    os.close(own)


def test_a_run_of_some_frames_is_resumed_within_its_choice(tmp_path):
    job = make_job(tmp_path)
    run(job, run_options=RunOptions(yes=True, frames=(2, 5), kind="frames", closing_frame=True))
    assert [record["frame"] for record in records(job, "confirmed")] == [2, 5, 0]
    data = journal_of(job).read_bytes()
    journal_of(job).write_bytes(data[: data.index(b'"intent","frame":5') - len('{"event":')])
    finish(job)
    assert [record["frame"] for record in records(job, "confirmed")] == [2, 5, 0]
