"""Frames taken again on the word of a scripted watcher, by the hardware's own log."""

from __future__ import annotations

import sys
from dataclasses import replace

import pytest
from driving.runs import (
    MIDDLE,
    Killer,
    assert_complete,
    events,
    finish,
    fork,
    journal_of,
    make_job,
    openings,
    person,
    records,
)

from stacker.documents.journal import read_journal
from stacker.driving.drive import drive
from stacker.driving.run_options import RunOptions
from stacker.driving.watcher import Finding
from stacker.errors import Refusal, RunStopped
from stacker.figures import as_typed


class Scripted:
    """Finds a frame dark so many exposures after it was made, for its first so many exposures."""

    def __init__(self, dark=(), *, after=1, times=1, stops_as="", lies=()):
        self.left = dict.fromkeys(dark, times)
        self.after, self.stops_as, self.lies = after, stops_as, list(lies)
        self.due: list[tuple[int, Finding]] = []
        self.made = 0

    def exposing(self, frame, shot):
        self.made += 1
        if self.left.get(frame):
            self.left[frame] -= 1
            found = Finding(frame=frame, shot=shot, seen="6.0 stops under\nits neighbours", stops_as=self.stops_as)
            self.due.append((self.made + self.after, found))

    def poll(self):
        now = [found for due, found in self.due if due <= self.made] + self.lies
        self.due = [one for one in self.due if one[0] > self.made]
        self.lies = []
        return now


def watched(job, watcher, who=None, **options):
    asked = RunOptions(yes=True, journal=journal_of(job), **options)
    return drive(job, asked, who or person(), watcher=watcher)


def order(job):
    return [(place - MIDDLE) / 48 + 2 for place in openings(job)]


def test_a_dark_frame_is_taken_again_after_the_present_one_and_the_run_goes_on(tmp_path):
    job, said, progress = make_job(tmp_path), [], []
    outcome = watched(job, Scripted([3]), person(notify=said.append, report=progress.append))
    assert order(job) == [1, 2, 3, 4, 3, 5, 6]
    assert_complete(job)
    assert outcome.past.doubled == (3,)
    (why,) = records(job, "watched")
    assert (why["frame"], why["shot"], why["again"]) == (3, 3, True)
    assert why["seen"] == "6.0 stops under?its neighbours"  # no second line of the journal
    assert any("frame 3 is 6.0 stops under" in text for text in said)
    assert [(one.done, one.total) for one in progress] == [(1, 6), (2, 6), (3, 6), (4, 7), (5, 7), (6, 7), (7, 7)]
    # the take-up holds: the way back ends from below, as every approach does
    assert all(event["to"] > event["from"] for event in events(job, "start")[-1:] if "from" in event)


def test_found_with_the_last_frame_it_is_taken_at_the_end(tmp_path):
    job = make_job(tmp_path)
    watched(job, Scripted([5], after=1))
    assert order(job) == [1, 2, 3, 4, 5, 6, 5]
    assert_complete(job)


def test_a_frame_is_taken_again_as_often_as_the_profile_allows_and_then_left(tmp_path):
    job, said = make_job(tmp_path), []
    repeats = 2
    job = replace(job, shutter=replace(job.shutter, repeats=repeats))
    watched(job, Scripted([2], after=0, times=9), person(notify=said.append))
    assert order(job) == [1, 2, 2, 2, 3, 4, 5, 6]
    assert [record["again"] for record in records(job, "watched")] == [True, True, False]
    assert any("was taken again 2 times: it stays" in text for text in said)
    assert read_journal(journal_of(job)).pending == ()


def test_what_a_watcher_makes_up_moves_nothing(tmp_path):
    job = make_job(tmp_path)
    lies = [Finding(frame=frame, shot=shot, seen="dark") for frame, shot in ((5, 5), (99, 1), (1, 7), (0, 1), (-1, 1))]
    watched(job, Scripted(lies=lies))
    assert order(job) == [1, 2, 3, 4, 5, 6]
    assert not records(job, "watched")


def test_the_closing_frame_is_not_taken_again(tmp_path):
    job = make_job(tmp_path)
    watched(job, Scripted([0], after=0), closing_frame=True)
    assert order(job) == [1, 2, 3, 4, 5, 6, 1]


def test_a_finding_said_twice_counts_once(tmp_path):
    job = make_job(tmp_path)
    watcher = Scripted([2])
    poll = watcher.poll
    watcher.poll = lambda: poll() * 2
    watched(job, watcher)
    assert order(job) == [1, 2, 3, 2, 4, 5, 6]


def all_at_once(watcher, count):
    """Its findings come together, with the last one."""
    collected, poll = [], watcher.poll

    def late():
        collected.extend(poll())
        return collected if len(collected) == count else []

    watcher.poll = late
    return watcher


def test_frames_dark_in_a_row_stop_the_run_and_what_was_taken_since_counts_as_not_taken(tmp_path):
    job, folder = make_job(tmp_path), tmp_path / "in coming"
    watcher = Scripted([2, 3, 4], after=1, stops_as="dark")
    with pytest.raises(RunStopped, match=r"from frame 2 on, pictures are dark: 6\.0 stops") as stopped:
        watched(job, all_at_once(watcher, 3), watch=folder)
    assert stopped.value.code == "dark"
    assert "not taken from there on: 2, 3, 4, 5." in str(stopped.value)  # nobody has seen the fifth
    assert "1 of 6 frames are confirmed" in str(stopped.value)
    assert f"--watch {as_typed(folder)}" in str(stopped.value)
    assert "its position is lost" not in str(stopped.value)  # it stands where it should
    seen = {record["frame"]: record["seen"] for record in records(job, "watched")}
    assert seen[4].startswith("6.0 stops")
    assert seen[5] == "taken after frame 2"
    past = read_journal(journal_of(job))
    assert (set(past.pending), set(past.confirmed)) == ({2, 3, 4, 5, 6}, {1})
    finish(job)
    assert_complete(job)


def test_a_rail_that_did_not_move_on_stops_the_run_and_its_place_is_lost(tmp_path):
    job = make_job(tmp_path)
    with pytest.raises(RunStopped, match="the rail stalled or slipped") as stopped:
        watched(job, Scripted([3], after=1, stops_as="stalled"), closing_frame=True)
    text = str(stopped.value)
    assert stopped.value.code == "stalled"
    assert "not taken from there on: 3, 4." in text
    assert "its position is lost" in text
    past = read_journal(journal_of(job))
    assert past.lost
    assert (set(past.pending), set(past.confirmed)) == ({0, 3, 4, 5, 6}, {1, 2})
    before = len(openings(job))
    with pytest.raises(Refusal) as refused:
        drive(job, RunOptions(yes=True, resume=journal_of(job)), person())
    assert refused.value.code == "position_unknown"
    assert len(openings(job)) == before  # nothing was exposed where the counter says
    outcome = drive(job, RunOptions(yes=True, resume=journal_of(job), refocused=True), person())
    assert {3, 4, 5, 6} <= set(outcome.past.confirmed)


def test_a_frame_that_stays_blurred_is_among_those_of_a_later_stop(tmp_path):
    job = make_job(tmp_path)
    job = replace(job, shutter=replace(job.shutter, repeats=0))
    watcher = Scripted([2], after=0)
    watcher.due = [(4, Finding(frame=2, shot=2, seen="in the same plane", stops_as="stalled"))]
    with pytest.raises(RunStopped, match="not taken from there on: 2, 3, 4"):
        watched(job, watcher)
    assert [(record["frame"], record["again"]) for record in records(job, "watched")] == [
        (2, False),
        (2, True),
        (3, True),
        (4, True),
    ]


def test_a_watcher_that_finds_nothing_changes_no_instant_of_the_run(tmp_path):
    logs = []
    for name, watcher in (("with", Scripted()), ("without", None)):
        (tmp_path / name).mkdir()
        job = make_job(tmp_path / name)
        watched(job, watcher)
        logs.append(
            [{key: value for key, value in event.items() if key != "session"} for event in events(job, "shutter")]
        )
    assert logs[0] == logs[1]


@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
def test_killed_while_frames_are_taken_again_none_is_missing(tmp_path):
    import os

    for at in range(50, 130, 9):
        folder = tmp_path / str(at)
        folder.mkdir()
        job = make_job(folder)
        child = fork()
        if child == 0:
            try:
                killer = Killer(at)
                killer.install()
                asked = RunOptions(yes=True, journal=journal_of(job))
                drive(job, asked, person(), watcher=Scripted([2, 4]), opener=killer.opener)
            finally:
                os._exit(0)
        os.waitpid(child, 0)
        again = {record["frame"] for record in records(job, "watched") if record["again"]}
        finish(job)
        assert_complete(job)
        for frame in again:  # what was found dark is there once more, by whichever run
            assert order(job).count(frame) >= 2, (at, frame)
