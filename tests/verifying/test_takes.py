"""Exposures with the frames that they may be, of readings put together by hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from verifying.made_readings import picture, reading, shot, way

from stacker.errors import Refusal
from stacker.verifying.takes import takes_of

FOUR = [picture(n) for n in range(1, 5)]


def takes(*readings, pictures=FOUR):
    return takes_of(readings, pictures)


def names(take):
    return [str(path) for path in take.files]


def test_of_one_way_each_exposure_is_one_frame_for_sure():
    found = takes(reading(([1, 2, 3, 0], [way([0, 1, 2, 3])], 0.0)))
    assert [take.frames for take in found] == [(1,), (2,), (3,), (0,)]
    assert all(take.fixed and take.confirmed and not take.taken_back for take in found)
    assert [names(take) for take in found] == [["P_0001.jpg"], ["P_0002.jpg"], ["P_0003.jpg"], ["P_0004.jpg"]]


def test_by_two_ways_it_is_either_and_their_order_is_certain():
    found = takes(reading(([1, 2, 3, 4, 5], [way([0, 1, 2, 3]), way([1, 2, 3, 4])], 0.0)))
    assert [take.frames for take in found] == [(1, 2), (2, 3), (3, 4), (4, 5)]
    assert all(take.fixed for take in found)
    two = takes(reading(([1, 2, 3, 4], [way([0, 1, 2, 3])], 0.0)), reading(([1, 2, 3, 4], [way([0, 1, 2, None])], 0.0)))
    assert [take.frames for take in two] == [(1, 1), (2, 2), (3, 3), (4, 0)]
    assert [take.fixed for take in two] == [True, True, True, False]  # by one of them it is none
    assert [take.confirmed for take in two] == [True, True, True, False]


def test_ways_that_lay_the_pictures_alike_are_one_with_the_doubts_of_both():
    same = [way([0, 1, 2, 3]), way([0, 1, 2, 3], open_shots=(1,)), way([0, 1, 2, 3], unsettled=(2,))]
    found = takes(reading(([1, 2, 3, 4], same, 0.0)))
    assert [take.frames for take in found] == [(1,), (2,), (3,), (4,)]
    assert [take.fixed for take in found] == [True, False, False, True]


def test_what_the_journal_does_not_confirm_or_the_run_took_back_is_said():
    shots = [1, shot(2, confirmed=False), shot(0, confirmed=False, taken_back=3), 3]
    found = takes(reading((shots, [way([0, 1, 2, 3])], 0.0)))
    assert [take.confirmed for take in found] == [True, False, False, True]
    assert [take.taken_back for take in found] == [False, False, True, False]
    by_one = takes(reading((shots, [way([0, 1, 2, 3])], 0.0)), reading((shots, [way([0, 1, None, 2])], 0.0)))
    assert [take.taken_back for take in by_one] == [False, False, False, False]


def test_a_bracket_is_one_exposure_where_no_way_parts_it():
    found = takes(reading(([1, 2], [way([0, 0, 1, 1])], 0.0)))
    assert [(take.frames, names(take)) for take in found] == [
        ((1,), ["P_0001.jpg", "P_0002.jpg"]),
        ((2,), ["P_0003.jpg", "P_0004.jpg"]),
    ]
    parted = takes(reading(([1, 2], [way([0, 0, 1, 1]), way([0, 1, 1, None])], 0.0)))
    assert not any(take.fixed for take in parted)
    assert ["P_0001.jpg"] in [names(take) for take in parted]


def test_pictures_of_two_legs_are_told_by_every_pair_of_ways():
    legs = [
        ([1, 2], [way([0, 1, None, None]), way([1, None, None, None])], 0.0),
        ([3, 4], [way([None, None, 0, 1])], 60.0),
    ]
    found = takes(reading(*legs))
    assert [(take.frames, take.fixed) for take in found] == [
        ((1, 2), True),
        ((2, 0), False),
        ((3, 3), True),
        ((4, 4), True),
    ]


def test_with_too_many_ways_nothing_is_told():
    def legs(count):  # two ways each
        return [
            ([n], [way([None] * count * 2), way([0 if k == n else None for k in range(count * 2)])], float(n))
            for n in range(count)
        ]

    many = [picture(n) for n in range(1, 19)]
    assert takes(reading(*legs(8)), pictures=many[:16])  # 256
    with pytest.raises(Refusal, match="too many ways"):
        takes(reading(*legs(9)), pictures=many)


# ------------------------------------------------------------------------------ neighbours of one time: who was first?


def fixed(pictures):
    return [take.fixed for take in takes(reading(([1, 2, 3, 4], [way([0, 1, 2, 3])], 0.0)), pictures=pictures)]


def test_of_one_time_numbers_tell_the_order():
    assert all(fixed([picture(n, taken_s=t) for n, t in ((1, 5), (2, 5), (3, 6), (4, 7))]))


@pytest.mark.parametrize(
    "pictures",
    [
        # a later number with an earlier time somewhere: the files were renamed, and numbers tell nothing
        [picture(1, taken_s=5), picture(2, taken_s=5), picture(4, taken_s=6), picture(3, taken_s=7)],
        # two kinds of names
        [picture(1, taken_s=5), picture(1, taken_s=5, prefix="Q_"), picture(3, taken_s=6), picture(4, taken_s=7)],
        # names without a number
        [picture(1, taken_s=5), picture(2, taken_s=5), picture(3, taken_s=6),
         picture(4, taken_s=7).__class__(files=(Path("P_.jpg"),), taken_s=7.0, prefix="P_", number=None, digits=0)],
    ],
    ids=["renamed", "two_names", "no_number"],
)  # fmt: skip
def test_of_one_time_and_names_that_tell_nothing_either_may_be_first(pictures):
    assert fixed(pictures) == [False, False, True, True]


def test_numbers_that_fall_within_one_second_contradict_nothing():
    assert all(fixed([picture(1, taken_s=5), picture(2, taken_s=5), picture(4, taken_s=6), picture(3, taken_s=6)]))


def test_two_pictures_of_one_shot_have_no_order_to_tell():
    pair = [picture(1, taken_s=5), picture(1, taken_s=5, prefix="Q_"), picture(3, taken_s=6), picture(4, taken_s=7)]
    found = takes(reading(([1, 2], [way([0, 0, 1, 1])], 0.0)), pictures=pair)
    assert [take.fixed for take in found] == [True, True]
    # nor have two of which one is of no shot
    spare = takes(reading(([1, 2, 3], [way([0, None, 1, 2])], 0.0)), pictures=pair)
    assert [take.fixed for take in spare] == [True, True, True]
