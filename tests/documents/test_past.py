"""What the lines of a journal tell of frames that were taken back."""

from __future__ import annotations

import pytest

from stacker.documents.journal import past_of

HEAD = {
    "event": "run",
    "run": "a",
    "profile_digest": "p",
    "plan": {"digest": "d", "columns": ["frame"], "rows": [[1], [2], [3]]},
    "frames": [1, 2, 3],
    "front_at_microsteps": 1600,
    "microsteps_per_mm": 1600,
    "boot": 1,
}


def taken(frame, shot):
    return [{"event": "intent", "frame": frame, "shot": shot}, {"event": "confirmed", "frame": frame, "shot": shot}]


def told(*records):
    return past_of([HEAD, *records], 0)


def test_a_journal_that_has_only_begun_tells_of_nothing():
    past = told()
    assert (past.last_shot, past.left_at, past.lost, past.refocused, past.warm_up_s) == (0, None, False, False, 0.0)
    assert (past.pending, past.confirmed, past.doubled, past.panel, past.set) == ((1, 2, 3), {}, (), None, "")


@pytest.mark.parametrize(
    "back", [{"event": "watched", "again": True, "seen": "dark"}, {"event": "undone", "taken": True}]
)
def test_what_is_taken_back_once_is_to_be_taken_again_and_of_two_confirmations_one_stays(back):
    once = told(*taken(1, 1), {**back, "frame": 1, "shot": 1})
    assert (once.confirmed, once.pending, once.doubled) == ({}, (2, 3, 1), ())
    twice = told(*taken(1, 1), *taken(1, 2), {**back, "frame": 1, "shot": 2})
    assert (twice.confirmed, twice.doubled) == ({1: 1}, (1,))
    again = told(*taken(1, 1), {**back, "frame": 1, "shot": 1}, *taken(1, 2))
    assert (again.confirmed, again.pending, again.doubled) == ({1: 1}, (2, 3), (1,))


def test_what_was_watched_and_stays_as_it_is_counts_as_taken():
    past = told(*taken(1, 1), {"event": "watched", "again": False, "seen": "dark", "frame": 1, "shot": 1})
    assert (past.confirmed, past.pending) == ({1: 1}, (2, 3))


def test_an_exposure_that_nobody_made_is_none():
    past = told({"event": "intent", "frame": 1, "shot": 1}, {"event": "undone", "frame": 1, "shot": 1, "taken": False})
    assert (past.pending, past.ambiguous, past.doubled, past.last_shot) == ((1, 2, 3), (), (), 1)
