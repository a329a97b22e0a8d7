"""A stack on a hand rail: what a person ticks is kept, what they take back is taken again, nothing is lost."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from verifying.evenings import picture_bytes

from stacker.documents.journal import read_journal
from stacker.documents.plan_file import read_plan
from stacker.documents.rail_profile import HandRail
from stacker.driving.by_hand import HandOptions, drive_by_hand
from stacker.driving.durable import DurableFile
from stacker.driving.hand_job import hand_job_of
from stacker.driving.turner import Answer, Turner
from stacker.errors import Refusal, RunStopped
from stacker.verifying.folder import read_folder
from stacker.verifying.shots import read_run
from stacker.verifying.verify import verify

PLAN = Path(__file__).parents[2] / "plans" / "calcite_by_hand.plan.yaml"
T, U, Q = Answer.TAKEN, Answer.UNDO, Answer.STOP


def job_in(folder, count=None):
    plan = read_plan(PLAN)
    assert isinstance(plan.request.rail, HandRail)
    job = hand_job_of(plan, plan.request.rail, folder / "calcite.plan.yaml")
    if count is None:
        return job
    cut = {name: getattr(job, name)[:count] for name in ("positions", "focus_um", "dof_um", "rows")}
    return dataclasses.replace(job, **cut)


class Scripted:
    """Answers as it is told, `takes_s` after each question; then stops. It keeps what it was shown."""

    def __init__(self, *answers, takes_s=8.0, yes=True):
        self.answers, self.takes_s, self.yes, self.time_s = list(answers), takes_s, yes, 0.0
        self.turns, self.notes, self.asked, self.ticked_s = [], [], [], []

    def ask(self, turn):
        self.turns.append(turn)
        self.time_s += self.takes_s
        answer = self.answers.pop(0) if self.answers else Q
        if answer is T:
            self.ticked_s.append((turn.frame, self.time_s))
        return answer

    def confirm(self, text):
        self.asked.append(text)
        return self.yes

    def turner(self):
        return Turner(ask=self.ask, confirm=self.confirm, notify=self.notes.append, now_s=lambda: self.time_s)


def go(job, *answers, journal, resume=False, opener=DurableFile, **options):
    """One session; the person, and how it ended."""
    person = Scripted(*answers)
    options = HandOptions(**{"resume" if resume else "journal": journal}, **options)
    try:
        return person, drive_by_hand(job, options, person.turner(), opener=opener)
    except RunStopped as stopped:
        return person, stopped


def events(journal):
    return [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]


def test_a_whole_stack_is_ticked_frame_by_frame_each_meant_before_it_is_asked(tmp_path):
    job, journal = job_in(tmp_path), tmp_path / "a.run.jsonl"
    person, outcome = go(job, *[T] * job.count, journal=journal)
    assert outcome.ticked == job.count
    assert not read_journal(journal).pending
    assert [(one["event"], one.get("frame")) for one in events(journal)[1:-1]] == [
        (event, frame) for frame in range(1, job.count + 1) for event in ("intent", "confirmed")
    ]
    assert {one["evidence"] for one in events(journal) if one["event"] == "confirmed"} == {"person"}
    assert [turn.to for turn in person.turns] == list(job.positions)


def test_from_stop_to_stop_it_is_turned_one_way_and_come_to_from_that_side_at_first(tmp_path):
    job = job_in(tmp_path)
    person, _ = go(job, T, T, T, journal=tmp_path / "a.run.jsonl")
    first, second, third, _ = person.turns
    assert first.by is None
    assert job.take_up > 0
    assert first.beyond == first.to - job.direction * job.take_up
    assert [second.by, third.by] == [job.positions[1] - job.positions[0], job.positions[2] - job.positions[1]]


def test_what_is_undone_is_taken_again_and_come_to_from_the_usual_side(tmp_path):
    job, journal = job_in(tmp_path, 4), tmp_path / "a.run.jsonl"
    person, _ = go(job, T, T, U, T, T, T, journal=journal)
    assert [turn.frame for turn in person.turns] == [1, 2, 3, 2, 3, 4]
    assert person.turns[3].by is None  # the dial may have been turned on already
    past = read_journal(journal)
    assert not past.pending
    assert past.confirmed == {1: 1, 2: 1, 3: 1, 4: 1}
    assert past.doubled == (2,)  # 3 was only shown, and no picture of it taken


def test_nothing_before_this_session_is_undone(tmp_path):
    job, journal = job_in(tmp_path, 4), tmp_path / "a.run.jsonl"
    go(job, T, T, Q, journal=journal)
    person, _ = go(job, U, T, T, journal=journal, resume=True)
    assert "Nothing to undo" in person.notes[0]
    assert read_journal(journal).confirmed == {1: 1, 2: 1, 3: 1, 4: 1}


@pytest.mark.parametrize("takes_s", [0.0, 0.4])
def test_a_key_held_down_ticks_nothing(tmp_path, takes_s):
    job, journal = job_in(tmp_path, 3), tmp_path / "a.run.jsonl"
    person = Scripted(T, T, T, takes_s=takes_s)
    with pytest.raises(RunStopped):
        drive_by_hand(job, HandOptions(journal=journal), person.turner())
    assert read_journal(journal).confirmed == {}
    assert len(person.notes) == 3


def test_a_stop_names_what_goes_on_and_what_is_in_doubt(tmp_path):
    job, journal = job_in(tmp_path, 3), tmp_path / "a.run.jsonl"
    _, stopped = go(job, T, Q, journal=journal)
    assert isinstance(stopped, RunStopped)
    assert "1 of 3 frames are ticked. In doubt, to be taken again: 2." in str(stopped)
    assert f"--go --resume {journal}" in str(stopped)


def test_a_stop_and_how_it_went_on_stand_in_the_journal(tmp_path):
    job = job_in(tmp_path, 6)
    path = tmp_path / "calcite.run.jsonl"
    with pytest.raises(RunStopped):
        drive_by_hand(job, HandOptions(journal=path), Scripted(T, T, Q).turner())
    stop = json.loads(path.read_text().splitlines()[-1])
    assert (stop["event"], stop["code"], stop["position_microsteps"]) == ("stop", "by_person", job.position(2))
    with pytest.raises(RunStopped):
        drive_by_hand(job, HandOptions(resume=path), Scripted(Q).turner())
    events = [json.loads(line) for line in path.read_text().splitlines()]
    assert [event["event"] for event in events].count("found") == 1
    assert next(event for event in events if event["event"] == "found")["lost"] is False


def test_a_dial_that_was_touched_needs_the_front_again_and_then_takes_neighbours_too(tmp_path):
    job, journal = job_in(tmp_path), tmp_path / "a.run.jsonl"
    go(job, *[T] * 9, Q, journal=journal)
    touched = Scripted(yes=False)
    with pytest.raises(Refusal, match="--refocused"):
        drive_by_hand(job, HandOptions(resume=journal), touched.turner())
    sure = Scripted(yes=True)  # asked again they may not take it back
    with pytest.raises(Refusal, match="--refocused"):
        drive_by_hand(job, HandOptions(resume=journal), sure.turner())
    assert not sure.asked
    person, _ = go(job, *[T] * job.count, journal=journal, resume=True, refocused=True)
    assert person.turns[0].frame < 10
    past = read_journal(journal)
    assert past.refocused
    assert not past.pending


def test_whether_the_dial_still_counts_is_never_taken_for_granted(tmp_path):
    job, journal = job_in(tmp_path, 3), tmp_path / "a.run.jsonl"
    go(job, T, Q, journal=journal)
    with pytest.raises(Refusal, match="leave out --yes"):
        drive_by_hand(job, HandOptions(resume=journal, yes=True), Scripted(T, T).turner())
    assert read_journal(journal).pending == (2, 3)


def test_nobody_ready_writes_nothing(tmp_path):
    with pytest.raises(Refusal, match="nothing was written"):
        drive_by_hand(job_in(tmp_path), HandOptions(journal=tmp_path / "a"), Scripted(yes=False).turner())
    assert not (tmp_path / "a").exists()


def test_a_damaged_end_is_cut_off_and_told_and_what_it_confirmed_is_taken_again(tmp_path):
    job, journal = job_in(tmp_path, 3), tmp_path / "a.run.jsonl"
    go(job, T, Q, journal=journal)
    with journal.open("ab") as file:
        file.write(b'{"event":"conf\n')
    person, _ = go(job, T, T, journal=journal, resume=True)
    assert "is damaged (not JSON)" in person.notes[0]
    assert not read_journal(journal).pending


def test_whoever_says_yes_beforehand_is_told_all_the_same(tmp_path):
    job = job_in(tmp_path, 2)
    person = Scripted(T, T)
    drive_by_hand(job, HandOptions(journal=tmp_path / "a.run.jsonl", yes=True), person.turner())
    assert not person.asked
    assert "set the dial to 0" in person.notes[0]


@settings(max_examples=examples(40), deadline=None)
@given(sessions=st.lists(st.lists(st.sampled_from([T, T, T, U, Q]), max_size=12), max_size=6))
def test_exactly_what_was_ticked_last_and_not_undone_is_confirmed(tmp_path_factory, sessions):
    folder = tmp_path_factory.mktemp("hand")
    job, journal = job_in(folder, 6), folder / "a.run.jsonl"
    left, begun = list(range(1, 7)), False
    for answers in sessions:
        if not left:
            break
        go(job, *answers, journal=journal, resume=begun)
        begun, ticked = True, []
        for answer in answers:
            if answer is Q or not left:
                break
            if answer is T:
                ticked.append(left.pop(0))
            elif ticked:
                left.insert(0, ticked.pop())
        past = read_journal(journal)
        assert sorted(past.pending) == left
        assert set(past.confirmed) == set(range(1, 7)) - set(left)
        assert set(past.confirmed.values()) <= {1}


def killed_at(write):
    """A file of a host that dies before its n-th line."""

    class Dying(DurableFile):
        lines = 0

        def write(self, data):
            Dying.lines += 1
            if Dying.lines == write:
                raise KeyboardInterrupt
            super().write(data)

    return Dying


@pytest.mark.parametrize("write", [2, 3, 4, 7, 8, 9, 10])
def test_a_host_that_dies_at_any_line_loses_no_tick(tmp_path, write):
    job, journal = job_in(tmp_path, 4), tmp_path / "a.run.jsonl"
    person = Scripted(T, T, U, T, T, T)
    with pytest.raises(KeyboardInterrupt):
        drive_by_hand(job, HandOptions(journal=journal), person.turner(), opener=killed_at(write))
    before = read_journal(journal)
    assert set(before.confirmed) | set(before.pending) == {1, 2, 3, 4}
    if write in (7, 8, 9, 10):  # the second tick is taken back by the seventh line
        assert (2 in before.pending) == (write > 7)
    go(job, *[T] * 4, journal=journal, resume=True)
    assert not read_journal(journal).pending


def pictures(folder, ticked_s, *, offset_s=-3700.4, drop=()):
    """Released one to four seconds before the tick, by a camera whose clock is wrong by an hour."""
    folder.mkdir()
    times = {}
    for number, (frame, at_s) in enumerate(ticked_s):
        if frame not in drop:
            path = folder / f"P{number + 100:04}.jpg"
            path.write_bytes(picture_bytes(path.name))
            times[path] = 1.9e9 + offset_s + at_s - 1.5 - (number * 0.37) % 2
    return read_folder(folder, exif=times.get)


@pytest.mark.parametrize("drop", [(), (7,), (1,), (19,)])
def test_verify_lays_pictures_beside_what_was_ticked(tmp_path, drop):
    job, journal = job_in(tmp_path), tmp_path / "a.run.jsonl"
    person, _ = go(job, *[T] * job.count, journal=journal)
    found = pictures(tmp_path / "card", person.ticked_s, drop=drop)
    (verdict,) = verify([read_run(journal)], found)
    lacking = {*verdict.missing, *verdict.doubtful}
    assert set(drop) <= lacking
    assert bool(lacking) == bool(drop)


def test_an_undone_frame_may_have_one_picture_or_two(tmp_path):
    job, journal = job_in(tmp_path, 6), tmp_path / "a.run.jsonl"
    person, _ = go(job, T, T, T, U, T, T, T, T, journal=journal)
    twice = pictures(tmp_path / "card", person.ticked_s)
    (verdict,) = verify([read_run(journal)], twice)
    assert not verdict.missing
    once = pictures(tmp_path / "other", [one for number, one in enumerate(person.ticked_s) if number != 2])
    (verdict,) = verify([read_run(journal)], once)
    assert not verdict.missing
    lost = pictures(tmp_path / "third", [one for number, one in enumerate(person.ticked_s) if number not in (2, 3)])
    (verdict,) = verify([read_run(journal)], lost)
    assert 3 in {*verdict.missing, *verdict.doubtful}
