"""What lines of a journal say of exposures, line by line."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from verifying.made_readings import shot

from stacker.verifying import shots as module
from stacker.verifying.alignment import Window
from stacker.verifying.shots import Shot, ShotLeg, _lasts_s, _shots, read_run


def intent(number, frame, t_s):
    return {"event": "intent", "shot": number, "frame": frame, "t_s": t_s}


def exposed(t_s):
    return {"event": "exposed", "t_s": t_s}


def confirmed(t_s, evidence="rail"):
    return {"event": "confirmed", "t_s": t_s, "evidence": evidence}


def window(early_s, late_s, first_s):
    return Window(early_s=early_s, late_s=late_s, first_s=first_s)


def test_an_answer_comes_a_seventh_of_a_second_after_the_contact_at_most():
    (one,) = _shots([intent(1, 7, 10.0), exposed(12.0), confirmed(12.5)], math.inf)
    assert one == Shot(frame=7, confirmed=True, counts=True, window=window(11.85, 12.0, 10.0))
    (soon,) = _shots([intent(1, 7, 10.0), exposed(10.1), confirmed(10.2)], math.inf)
    assert soon.window == window(10.0, 10.1, 10.0)


def test_without_a_word_of_the_answer_that_of_the_confirmation_counts():
    (one,) = _shots([intent(1, 7, 10.0), confirmed(12.5)], math.inf)
    assert one == Shot(frame=7, confirmed=True, counts=True, window=window(12.35, 12.5, 10.0))


def test_a_person_presses_the_release_at_any_time_before_the_key():
    (one,) = _shots([intent(1, 7, 10.0), confirmed(25.0, "person")], math.inf)
    assert one.window == window(10.0, 25.0, 10.0)


@pytest.mark.parametrize(
    ("lasts_s", "late_s"), [(math.inf, 40.0), (100.0, 40.0), (22.0, 22.0), (10.0, 10.0), (3.0, 10.0)]
)
def test_a_shot_without_an_answer_may_have_been_made_within_half_a_minute_or_until_the_run_went_on(lasts_s, late_s):
    (one,) = _shots([intent(1, 7, 10.0)], lasts_s)
    assert one == Shot(frame=7, confirmed=False, counts=False, window=window(10.0, late_s, 10.0))


def test_an_exposure_that_was_made_counts_before_it_is_confirmed():
    (one,) = _shots([intent(1, 7, 10.0), exposed(12.0)], math.inf)
    assert (one.confirmed, one.counts) == (False, True)


def test_a_word_taken_back_is_that_of_its_shot():
    events = [
        intent(1, 7, 10.0), confirmed(12.0, "person"), intent(2, 8, 13.0), confirmed(15.0, "person"),
        {"event": "undone", "shot": 1, "t_s": 16.0}, intent(3, 7, 17.0), confirmed(18.0, "person"),
    ]  # fmt: skip
    found = _shots(events, math.inf)
    assert [(one.frame, one.confirmed, one.counts) for one in found] == [
        (7, False, False),
        (8, True, True),
        (7, True, True),
    ]
    assert found[0].window == window(10.0, 12.0, 10.0)
    (never,) = _shots([intent(1, 7, 10.0), {"event": "undone", "shot": 1, "t_s": 14.0}], math.inf)
    assert never == Shot(frame=7, confirmed=False, counts=False, window=window(10.0, 14.0, 10.0))


def test_what_a_picture_showed_makes_it_no_frame_of_the_stack():
    events = [
        intent(1, 7, 10.0),
        exposed(12.0),
        confirmed(12.5),
        {"event": "watched", "shot": 1, "again": True, "t_s": 14.0},
    ]
    (one,) = _shots(events, math.inf)
    assert (one.frame, one.taken_back, one.confirmed) == (0, 7, True)
    kept = _shots([*events[:3], {"event": "watched", "shot": 1, "again": False, "t_s": 14.0}], math.inf)[0]
    assert (kept.frame, kept.taken_back) == (7, 0)


def test_lines_before_the_first_shot_are_no_answers():
    assert _shots([exposed(3.0), confirmed(4.0), {"event": "moved", "t_s": 5.0}], math.inf) == []


def test_a_part_lasts_until_the_next_one_where_both_have_a_clock():
    assert _lasts_s(100.0, 160.0) == 60.0
    assert _lasts_s(None, 160.0) == _lasts_s(100.0, None) == math.inf


def test_frames_are_counted_as_another_plan_counts_them():
    leg = ShotLeg(begins_s=5.0, shots=(shot(1), shot(2), shot(0), shot(0, taken_back=2), shot(3)))
    assert leg.numbered(None) is leg
    other = leg.numbered({1: 4, 2: 9})
    assert [(one.frame, one.taken_back) for one in other.shots] == [(4, 0), (9, 0), (0, 0), (0, 9), (0, 0)]
    assert other.begins_s == 5.0
    assert leg.leg.begins_s == 5.0
    assert leg.leg.windows == tuple(one.window for one in leg.shots)


def test_each_start_and_resume_begins_a_part_with_a_clock_of_its_own(monkeypatch):
    """The line that tells the time of day is written when the part's own clock shows its t_s."""
    records = [
        {"event": "run", "utc": "2031-05-04T22:00:00+00:00", "t_s": 2.5},
        intent(1, 1, 10.0), exposed(11.0), confirmed(11.5), intent(2, 2, 20.0),
        {"event": "resume", "utc": "2031-05-04T22:00:30+00:00", "t_s": 1.0},  # it never came to a shot
        {"event": "resume", "utc": "2031-05-04T22:05:00+00:00", "t_s": 0.0},
        intent(3, 2, 7.0), exposed(8.0), confirmed(8.5),
        {"event": "resume", "compressed": True, "utc": "2031-05-04T23:00:00+00:00", "t_s": 0.0},
        intent(4, 3, 5.0), exposed(6.0), confirmed(6.5),
        {"event": "resume", "t_s": 0.0},
        intent(5, 4, 5.0), exposed(6.0), confirmed(6.5),
    ]  # fmt: skip
    monkeypatch.setattr(module, "read_records", lambda _: (records, 999))
    monkeypatch.setattr(module, "past_of", lambda *given: given)
    run = read_run(Path("beetle.journal.jsonl"))
    assert run.path == Path("beetle.journal.jsonl")
    assert run.past == (records, 999)
    ten = 1_935_698_400.0  # 2031-05-04 22:00:00 UTC in seconds since 1970, by `date -u -d ... +%s`
    assert [leg.begins_s for leg in run.legs] == [ten - 2.5, ten + 300, None, None]
    assert [[one.frame for one in leg.shots] for leg in run.legs] == [[1, 2], [2], [3], [4]]
    # the second shot had no answer: it was made before the run went on, 31.5 s after its clock began
    assert run.legs[0].shots[1].window.late_s == 31.5
