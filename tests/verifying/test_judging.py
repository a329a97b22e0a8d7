"""One stack judged by a reading that is put together by hand: each answer by itself."""

from __future__ import annotations

from pathlib import Path

import pytest
from verifying.made_readings import folder, picture, reading, shot, stack, way

from stacker.verifying.judging import evidence_of, judge
from stacker.verifying.verdict import Damage

PICTURES = [picture(n) for n in range(1, 7)]
ALL = [0, 1, 2, 3, 4, 5]


def judged(legs, pictures=PICTURES, *, frames=6, each=1, pending=(), last=True, **rest):
    evidence = evidence_of(reading(*legs), folder(pictures, **rest), each)
    return judge(evidence, stack(frames, len(legs), pending=pending, last=last))


def whole(**rest):
    return judged([(range(1, 7), [way(ALL)], 0.0)], **rest)


def test_a_picture_of_every_frame_is_a_complete_stack():
    verdict = whole()
    assert verdict.complete
    assert verdict.times_fit
    assert (verdict.frames, verdict.main, verdict.panel) == (6, "beetle.journal.jsonl", None)
    assert verdict.journals == ("beetle.journal.jsonl",)
    assert verdict.focus_mm == pytest.approx({frame: 0.1 * frame for frame in range(1, 7)})
    assert verdict.files == {frame: (f"P_{frame:04}.jpg",) for frame in range(1, 7)}
    assert verdict.to_shoot == ()
    found = verdict.found
    assert (found.pictures, found.pictures_each, found.unplaced, found.extra) == (6, 1, 0, ())


def test_what_is_surely_missing_and_what_may_be():
    five = PICTURES[:5]
    verdict = judged([(range(1, 7), [way([0, 1, 3, 4, 5], open_shots=(3,), always=(2,))], 0.0)], five)
    assert (verdict.missing, verdict.doubtful) == ((3,), (4,))
    assert (verdict.doubtful_least, verdict.doubtful_most) == (0, 0)
    assert not verdict.complete
    assert verdict.to_shoot == (3, 4)
    either = judged([(range(1, 7), [way([0, 1, 2, 3, 4], always=(5,)), way([1, 2, 3, 4, 5], always=(0,))], 0.0)], five)
    assert (either.missing, either.doubtful) == ((), (1, 6))
    assert (either.doubtful_least, either.doubtful_most) == (1, 1)


def test_frames_that_no_journal_confirms_were_not_shot_and_some_a_resume_takes():
    begun = [1, 2, 3, shot(4, confirmed=False, counts=False)]
    verdict = judged([(begun, [way([0, 1, 2])], 0.0)], PICTURES[:3], pending=(4, 5, 6))
    assert (verdict.not_shot, verdict.pending) == ((4, 5, 6), (4, 5, 6))
    assert not verdict.complete
    assert verdict.to_shoot == ()
    verdict = judged([(begun, [way([0, 1, 2])], 0.0)], PICTURES[:3], pending=(5,))
    assert (verdict.pending, verdict.to_shoot) == ((5,), (4, 6))
    # a later run has taken some anew: then none is taken by a resume
    assert judged([(begun, [way([0, 1, 2])], 0.0)], PICTURES[:3], pending=(4, 5, 6), last=False).pending == ()


def test_without_fitting_times_nothing_is_said_frame_by_frame():
    laid = [None, None, 4, 1]  # two find a place by chance
    verdict = judged([(range(1, 7), [way(laid)], 0.0)], PICTURES[:4], faults={Path("P_0001.jpg"): "cut short"})
    assert not verdict.times_fit
    assert verdict.doubtful == (1, 2, 3, 4, 5, 6)
    assert (verdict.doubtful_least, verdict.doubtful_most) == (2, 6)
    assert (verdict.missing, verdict.files, verdict.halves, verdict.late) == ((), {}, (), ())
    assert (verdict.found.extra, verdict.found.unplaced) == ((), 0)
    assert verdict.damaged == (Damage(file="P_0001.jpg", fault="cut short", frames=()),)
    bracket = judged([(range(1, 7), [way([None] * 4)], 0.0)], PICTURES[:4], each=2)
    assert (bracket.doubtful_least, bracket.doubtful_most) == (4, 6)
    more = judged([(range(1, 4), [way([None] * 6)], 0.0)], frames=3)
    assert (more.doubtful_least, more.doubtful_most) == (0, 3)


def test_of_an_empty_folder_times_do_not_contradict():
    verdict = judged([(range(1, 4), [way([], always=(0, 1, 2))], 0.0)], [], frames=3)
    assert verdict.times_fit
    assert verdict.missing == (1, 2, 3)


def test_pictures_without_a_time_may_be_any_of_the_missing_ones():
    undated = (Path("X_1.jpg"), Path("X_1.raw"), Path("x_2.JPG"))
    four = PICTURES[:4]
    legs = [(range(1, 7), [way([0, 1, 2, 3], always=(4, 5))], 0.0)]
    verdict = judged(legs, four, undated=undated)
    assert (verdict.missing, verdict.doubtful) == ((), (5, 6))
    assert (verdict.doubtful_least, verdict.doubtful_most) == (0, 2)
    one = judged(legs, four, undated=undated[:2])  # both files of one exposure
    assert (one.doubtful_least, one.doubtful_most) == (1, 2)
    assert verdict.found.undated == ("X_1.jpg", "X_1.raw", "x_2.JPG")


def test_test_shots_are_extra_and_how_many_more_there_are_is_told():
    verdict = judged([(range(1, 6), [way([0, 1, 2, 3, 4, None])], 0.0)], frames=5)
    assert verdict.complete
    assert (verdict.found.extra, verdict.found.unplaced) == (("P_0006.jpg",), 1)
    two = judged([(range(1, 6), [way([0, 1, 2, 3, 4, None]), way([None, 0, 1, 2, 3, 4])], 0.0)], frames=5)
    assert (two.found.extra, two.found.unplaced) == ((), 1)  # the first or the last, nobody knows


def test_a_second_part_without_a_clock_and_a_spare_picture_leave_the_rest_open():
    legs = [
        (range(1, 4), [way([0, 1, 2, None, None, None])], 0.0),
        (range(4, 6), [way([None, None, None, 0, 1, None])], None),
    ]
    verdict = judged(legs, frames=5)
    assert verdict.unlinked
    assert not verdict.complete
    assert not judged([legs[0], (*legs[1][:2], 60.0)], frames=5).unlinked  # both have a clock
    second = (range(4, 6), [way([None, None, None, 0, 1])], None)
    no_spare = judged([(range(1, 4), [way([0, 1, 2, None, None])], 0.0), second], PICTURES[:5], frames=5)
    assert not no_spare.unlinked
    alone = judged([(range(1, 6), [way([0, 1, 2, 3, 4, None])], None)], frames=5)
    assert not alone.unlinked


CUT = {Path("P_0003.jpg"): "cut short"}


def test_a_damaged_file_names_the_frames_that_have_no_other_picture():
    assert whole(faults=CUT).damaged == (Damage(file="P_0003.jpg", fault="cut short", frames=(3,)),)
    assert not whole(faults=CUT).complete
    seven = [*PICTURES, picture(7)]
    again = judged([([*range(1, 7), 3], [way([*ALL, 6])], 0.0)], seven, faults=CUT)
    assert again.damaged == (Damage(file="P_0003.jpg", fault="cut short", frames=()),)
    assert again.doubled == (3,)
    # by one of two ways it is the picture of another frame
    either = judged([(range(1, 7), [way([0, 1, 2, 3, 4, 5]), way([0, 2, 1, 3, 4, 5])], 0.0)], faults=CUT)
    assert either.damaged == (Damage(file="P_0003.jpg", fault="cut short", frames=(2, 3)),)
    assert (either.files[1], 2 in either.files) == (("P_0001.jpg",), False)
    # of a bracket of two one is enough to spoil the frame
    three = [picture(n) for n in range(1, 7)]
    bracket = judged([(range(1, 4), [way([0, 0, 1, 1, 2, 2])], 0.0)], three, frames=3, each=2, faults=CUT)
    assert bracket.damaged == (Damage(file="P_0003.jpg", fault="cut short", frames=(2,)),)


def test_a_damaged_test_shot_and_a_file_without_a_picture_are_named_without_a_frame():
    faults = {Path("P_0006.jpg"): "empty", Path("notes_1.raw"): "no picture"}
    verdict = judged([(range(1, 6), [way([0, 1, 2, 3, 4, None])], 0.0)], frames=5, faults=faults)
    assert verdict.damaged == (
        Damage(file="P_0006.jpg", fault="empty", frames=()),
        Damage(file="notes_1.raw", fault="no picture", frames=()),
    )
    closing = judged([([*range(1, 6), 0], [way(ALL)], 0.0)], frames=5, faults=faults)
    assert [one.file for one in closing.damaged] == ["notes_1.raw"]  # the closing frame is no frame of the stack


def test_two_exposures_that_hold_the_same_bytes_are_faults_of_both():
    twins = ((Path("P_0002.jpg"), Path("P_0005.jpg")),)
    verdict = whole(twins=twins)
    assert verdict.damaged == (
        Damage(file="P_0002.jpg", fault="same bytes as P_0005.jpg", frames=(2,)),
        Damage(file="P_0005.jpg", fault="same bytes as P_0002.jpg", frames=(5,)),
    )
    beside = judged(
        [(range(1, 6), [way([0, 1, 2, 3, 4, None])], 0.0)], frames=5, twins=((Path("P_0002.jpg"), Path("P_0006.jpg")),)
    )
    assert beside.damaged == ()  # a copy that no frame claims


def test_a_frame_without_one_of_the_two_files_that_most_have_is_a_half():
    both = [picture(n, "jpg", "raw") for n in range(1, 6)]
    verdict = whole(pictures=[*both, picture(6, "raw")])
    assert verdict.halves == (6,)
    assert not verdict.complete
    assert verdict.files[6] == ("P_0006.raw",)
    assert whole(pictures=[*both[:2], *(picture(n, "raw") for n in range(3, 7))]).halves == ()  # most have one alone
    again = judged([([*range(1, 7), 6], [way([*ALL, 6])], 0.0)], [*both, picture(6, "raw"), picture(7, "jpg", "raw")])
    assert again.halves == ()  # taken again with both
    other = whole(pictures=[*both, picture(6, "tif")])
    assert other.halves == ()  # another file is no half of the two
    open_too = judged([(range(1, 7), [way(ALL, open_shots=(5,))], 0.0)], [*both, picture(6, "raw")])
    assert (open_too.doubtful, open_too.halves) == ((6,), ())  # named once


def test_frames_taken_after_later_ones_and_files_that_do_not_come_in_their_turn():
    again = judged([([1, 2, 3, 4, 5, 6, 2], [way([*ALL, 6])], 0.0)], [*PICTURES, picture(7)])
    assert (again.late, again.out_of_order, again.doubled) == ((2,), (2,), (2,))
    rolled = [*PICTURES[:4], picture(1, prefix="A_", taken_s=5), picture(2, prefix="A_", taken_s=6)]
    verdict = whole(pictures=rolled)
    assert (verdict.late, verdict.out_of_order) == ((), (1, 2, 3, 4))  # A comes before P
    nameless = [picture(n, taken_s=7 - n) for n in range(1, 7)]
    backward = whole(pictures=nameless)
    assert (backward.late, backward.out_of_order) == ((1, 2, 3, 4, 5), ())
    twice = judged([([1, 2, 3, 3, 4, 5], [way(ALL)], 0.0)], frames=5)
    assert (twice.late, twice.out_of_order, twice.doubled) == ((), (), (3,))  # no later one lies between
    closed = judged([([1, 2, 3, 4, 5, 6, 0], [way([*ALL, 6])], 0.0)], [*PICTURES, picture(7)])
    assert (closed.late, closed.out_of_order, closed.doubled) == ((), (), ())


def test_what_a_run_took_back_by_its_picture_makes_its_frame_one_taken_twice():
    shots = [1, 2, shot(0, confirmed=False, taken_back=3), 3, 4, 5]
    verdict = judged([(shots, [way(ALL)], 0.0)], frames=5)
    assert verdict.doubled == (3,)
    assert verdict.complete
    assert verdict.files[3] == ("P_0004.jpg",)


@pytest.mark.parametrize(
    ("fitting", "slots", "pictures", "fit"),
    [
        (6, 6, 6, True),
        (3, 6, 6, False),  # a half of them, but fewer than two in three
        (4, 6, 6, True),
        (4, 6, 9, True),  # test shots beside them
        (12, 30, 24, True),  # a dozen at one rhythm, and a half of what there is
        (12, 30, 25, False),
        (11, 30, 11, False),
        (2, 2, 2, True),
        (2, 2, 3, False),  # two find a place by chance
        (3, 3, 4, True),
    ],
)
def test_so_many_pictures_at_the_times_of_shots_are_no_coincidence(fitting, slots, pictures, fit):
    laid = [*range(fitting), *[None] * (pictures - fitting)]
    legs = [(range(1, slots + 1), [way(laid)], 0.0)]
    given = [picture(n) for n in range(1, pictures + 1)]
    assert judged(legs, given, frames=slots).times_fit == fit


def test_of_a_bracket_all_its_pictures_are_asked_for():
    laid = [way([0, 1, 2, 3, 4, 5, *[None] * 6])]  # one of two of each frame
    given = [picture(n) for n in range(1, 13)]
    assert not judged([(range(1, 7), laid, 0.0)], given, each=2).times_fit


def test_pictures_at_shots_of_which_nobody_knows_whether_they_were_made_do_not_count_as_fitting():
    unsure = [1, 2, *(shot(n, confirmed=False, counts=False) for n in range(3, 7))]
    evidence = evidence_of(reading((unsure, [way(ALL)], 0.0)), folder(PICTURES), 1)
    assert evidence.fitting == 2
    assert not evidence.times_fit
