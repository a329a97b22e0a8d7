"""What a journal tells of its run: the lines in order, and nothing that a later line took back."""

from __future__ import annotations

import pytest
from documents.test_journal_lines import CONFIRMED, HEAD, INTENT

from stacker.documents.journal import past_of

STOP = {"event": "stop", "lost": False, "position_microsteps": 64_100, "t_s": 2.0}
LOST = STOP | {"lost": True, "position_microsteps": None}


def resume(*frames, **more):
    return {"event": "resume", "frames": list(frames), "front_at_microsteps": 64_000, "boot": 1, "t_s": 0.0, **more}


def intent(frame, shot):
    return INTENT | {"frame": frame, "shot": shot}


def confirmed(frame):
    return CONFIRMED | {"frame": frame}


def told(*records, **head):
    return past_of([HEAD | head, *records], 0)


@pytest.mark.parametrize(
    ("records", "refocused"),
    [
        ((), False),
        ((STOP, resume(1, 2)), False),
        ((LOST,), False),  # nobody has focused it anew yet
        ((LOST, resume(1, 2)), True),
        ((LOST, resume(1, 2), STOP, resume(2)), True),  # the frames before lie where that focusing put them, still
        (({"event": "found", "session": "s", "lost": True}, resume(1, 2)), True),
    ],
)
def test_a_front_that_was_focused_anew_is_never_forgotten(records, refocused):
    assert told(*records).refocused is refocused
    assert told(*records, refocused=True).refocused  # the run before this one did


def test_a_loss_is_over_when_the_run_goes_on_and_one_found_later_counts():
    assert told(LOST).lost
    assert not told(LOST, resume(1)).lost
    assert told(STOP, {"event": "found", "session": "s", "lost": True}).lost
    assert not told(LOST, {"event": "found", "session": "s", "lost": False}).lost


def test_a_frame_whose_intent_has_no_confirmation_is_in_doubt_and_pending():
    past = told(intent(1, 1), confirmed(1), intent(2, 2))
    assert (past.pending, past.ambiguous, past.last_shot) == ((2, 3, 4), (2,), 2)
    past = told(intent(1, 1), STOP, resume(1, 2, 3, 4), intent(1, 2), confirmed(1))
    assert (past.pending, past.ambiguous, past.doubled, past.confirmed) == ((2, 3, 4), (), (1,), {1: 1})


def test_the_closing_frame_is_a_second_picture_by_intention():
    past = told(intent(0, 1), intent(0, 2), confirmed(0), frames=[1, 2, 0])
    assert (past.pending, past.doubled) == ((1, 2), ())


def test_where_the_rail_stands_is_forgotten_with_the_next_intent():
    assert told(intent(1, 1), STOP).left_at == 64_100
    assert told(intent(1, 1), STOP, resume(2), intent(2, 2)).left_at is None
    assert told(STOP, {"event": "end", "position_microsteps": 64_200, "t_s": 3.0}).left_at == 64_200


def test_sessions_are_those_of_this_run_and_after_a_look_that_one_alone():
    ours = {"event": "opens", "session": "b", "ours": True}
    stranger = {"event": "opens", "session": "c", "ours": False}
    assert told(ours, stranger, session="a").sessions == {"a", "b"}
    assert told(ours, {"event": "found", "session": "d", "lost": False}, session="a").sessions == {"d"}


def test_the_last_resume_says_where_the_front_and_the_rail_are():
    past = told(STOP, resume(3, 4, front_at_microsteps=48_000, boot=2, port="COM4"), port="COM3", url="COM3")
    assert (past.front_at, past.front_at_mm, past.boot, past.port, past.url) == (48_000, 30.0, 2, "COM4", "COM3")
    assert past.pending == (3, 4)
