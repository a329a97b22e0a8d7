"""Whose sessions a run may take for its own: those that had the rail right after it and named no place anew."""

from __future__ import annotations

import pytest
from documents.test_journal_lines import HEAD

from stacker.documents.journal import past_of
from stacker.driving.going_on import trusted_sessions


def run_of(session, before, **head):
    times = {"utc": f"2031-05-04T22:00:{len(session):02}+00:00"}
    return past_of([HEAD | times | {"session": session, "before": before} | head], 0)


FOUND_LOST = {"event": "found", "session": "bb", "lost": True}


@pytest.mark.parametrize(
    ("head", "trusted"),
    [
        ({}, True),
        ({"boot": 2}, False),  # a session may be drawn twice: it is one of that start of the controller alone
        ({"before": "stranger"}, False),
        ({"named": True}, False),
        ({"refocused": True}, False),
    ],
)
def test_a_run_right_after_is_trusted_if_it_named_no_place(head, trusted):
    ours, other = run_of("a", "zz"), run_of("bb", **{"before": "a"} | head)
    assert trusted_sessions(ours, [other]) == ({"a", "bb"} if trusted else {"a"})


def test_a_run_that_lost_the_place_vouches_for_nobody():
    ours = run_of("a", "zz")
    lost = past_of([HEAD | {"utc": "2031-05-04T22:00:02+00:00", "session": "bb", "before": "a"}, FOUND_LOST], 0)
    assert lost.lost
    assert trusted_sessions(ours, [lost]) == {"a"}


def test_trust_goes_from_run_to_run_in_order_of_time():
    ours, second, third = run_of("a", "zz"), run_of("bb", "a"), run_of("ccc", "bb")
    assert trusted_sessions(ours, [third, second]) == {"a", "bb", "ccc"}


def test_a_run_that_did_not_note_its_session_vouches_for_nobody():
    ours, other = run_of("", "zz"), run_of("bb", "")
    assert "bb" not in trusted_sessions(ours, [other])
