"""What several readings of one folder leave certain: verdicts put together by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from verifying.made_readings import folder, picture, reading, stack, way

from stacker.verifying import verify as module
from stacker.verifying.judging import evidence_of, judge
from stacker.verifying.readings import Reading
from stacker.verifying.verdict import Damage
from stacker.verifying.verify import _in_common, _verdict, _with_doubts

TEN = [picture(n) for n in range(1, 11)]


def evidence(ways, *, frames=10, pictures=TEN, each=1, **rest):
    return evidence_of(reading((range(1, frames + 1), ways, 0.0)), folder(pictures, **rest), each)


def judged(ways, **rest):
    return judge(evidence(ways, **rest), stack(rest.get("frames", 10)))


WHOLE = way(range(10))
NINE = TEN[:9]
LAST = way(range(9), always=(9,))
FIRST = way(range(1, 10), always=(0,))


def test_of_equal_readings_certain_is_what_all_say():
    one, other = judged([LAST], pictures=NINE), judged([FIRST], pictures=NINE)
    both = _in_common([one, other])
    assert (both.missing, both.doubtful) == ((), (1, 10))
    assert (both.doubtful_least, both.doubtful_most) == (1, 1)
    assert not both.complete
    assert both.files == {}
    two = _in_common([replace(one, missing=(3, 10)), replace(other, missing=(1, 3))])
    assert (two.missing, two.doubtful) == ((3,), (1, 10))
    assert (two.doubtful_least, two.doubtful_most) == (1, 1)
    wide = replace(one, missing=(3,), doubtful=(4, 5), doubtful_least=0, doubtful_most=2)
    among = _in_common([wide, replace(wide, doubtful=(5, 6, 7), doubtful_least=1, doubtful_most=3)])
    assert (among.missing, among.doubtful) == ((3,), (4, 5, 6, 7))
    assert (among.doubtful_least, among.doubtful_most) == (0, 3)


def test_a_stack_is_complete_where_every_equal_reading_says_so():
    whole = judged([WHOLE])
    assert _in_common([whole, whole]).complete
    assert not _in_common([whole, replace(whole, complete=False)]).complete


def test_halves_and_faults_of_all_are_told_and_files_of_which_all_agree():
    whole = judged([WHOLE])
    cut = Damage(file="P_0003.jpg", fault="cut short", frames=(3,))
    one = replace(whole, halves=(2,), damaged=(cut,))
    other = replace(
        whole,
        halves=(5,),
        damaged=(replace(cut, frames=(4,)), Damage(file="P_0003.jpg", fault="empty", frames=(3,))),
        files=whole.files | {7: ("P_0008.jpg",)},
    )
    both = _in_common([one, other])
    assert both.halves == (2, 5)
    assert both.damaged == (replace(cut, frames=(3, 4)), Damage(file="P_0003.jpg", fault="empty", frames=(3,)))
    assert sorted(both.files) == [1, 2, 3, 4, 5, 6, 8, 9, 10]


def test_doubts_of_other_readings_leave_nothing_complete():
    whole = judged([WHOLE])
    assert _with_doubts(whole, [], set()) is whole
    other = replace(whole, missing=(4,), doubtful=(5, 6), doubtful_least=1, doubtful_most=2)
    doubted = _with_doubts(whole, [other], {4, 5, 6})
    assert not doubted.complete
    assert (doubted.doubtful, doubted.doubtful_least, doubted.doubtful_most) == ((4, 5, 6), 0, 3)
    lacking = replace(whole, missing=(1, 4), doubtful=(2,), doubtful_most=1)
    assert _with_doubts(lacking, [other], {5, 6}).doubtful == (2, 5, 6)
    assert _with_doubts(lacking, [other], {5, 6}).doubtful_most == 1  # by either: three at most, two of them certain
    few = replace(other, doubtful=(5,), doubtful_most=9)
    assert _with_doubts(whole, [few], {5}).doubtful_most == 1  # no more than are named


def told(found, **rest):
    return _verdict(found, stack(10, **rest))


def test_a_reading_that_lays_fewer_pictures_leaves_what_it_misses_in_doubt_and_both_ends():
    """A stray picture at their rhythm looks like an end."""
    verdict = told([evidence([WHOLE]), evidence([way([*range(4), None, *range(5, 10)], always=(4,))])])
    assert not verdict.complete
    assert (verdict.missing, verdict.doubtful) == ((), (1, 5, 10))
    assert (verdict.doubtful_least, verdict.doubtful_most) == (0, 1)
    assert sorted(verdict.focus_mm) == [1, 5, 10]  # depths of what is named, and of nothing else
    alike = told([evidence([WHOLE]), evidence([WHOLE])])
    assert alike.complete
    assert alike.focus_mm == {}


def second(left, monkeypatch):
    """A whole stack, and pictures left over of which so many fit its journal once more."""
    pictures = [picture(n) for n in range(1, 11 + left[0])]
    found = evidence([way([*range(10), *[None] * left[0]])], pictures=pictures)

    def again(legs, aside, each):
        assert [len(leg.shots) for leg in legs] == [10]
        assert aside.pictures == tuple(pictures[10:])
        laid = [*range(left[1]), *[None] * (left[0] - left[1])]
        return [Reading(legs=tuple(legs), options=((way(laid, always=range(left[1], 10)),),))]

    monkeypatch.setattr(module, "readings", again)
    return told([found])


def test_pictures_left_over_that_could_be_the_stack_themselves_leave_doubts(monkeypatch):
    verdict = second((8, 8), monkeypatch)
    assert verdict.look_alikes == 8
    assert not verdict.complete
    assert verdict.doubtful == (9, 10)  # of those the others hold no picture
    assert verdict.missing == ()
    for few in ((5, 5), (8, 5)):  # six of ten are enough
        verdict = second(few, monkeypatch)
        assert (verdict.look_alikes, verdict.complete) == (0, True)
    whole_twice = second((10, 10), monkeypatch)
    assert (whole_twice.look_alikes, whole_twice.doubtful) == (10, ())
    assert whole_twice.complete  # whichever of the two is meant


def test_three_pictures_left_over_are_test_shots_however_short_the_stack(monkeypatch):
    pictures = [picture(n) for n in range(1, 8)]
    found = evidence([way([*range(4), *[None] * 3])], frames=4, pictures=pictures)
    monkeypatch.setattr(module, "readings", lambda *_: (_ for _ in ()).throw(AssertionError))
    assert _verdict([found], stack(4)).complete


def test_a_damaged_frame_has_its_depth():
    verdict = told([evidence([WHOLE], faults={Path("P_0003.jpg"): "cut short"})])
    assert sorted(verdict.focus_mm) == [3]
