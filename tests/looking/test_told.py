"""What a list of steps says of frames: which changed places, which stood still, where a gap is, where a stack ends."""

from __future__ import annotations

from itertools import pairwise

import pytest

from stacker.looking.blur import Smear
from stacker.looking.depths import Between, Depths, Ends
from stacker.looking.steps import Step


def between(ratio, *, frames=(1, 2), error=0.03):
    return Between(frames=frames, step=Step(ratio=ratio, standard_error=None if ratio is None else error))


@pytest.mark.parametrize(
    ("ratio", "error", "gap", "as_before"),
    [
        (1.0, 0.03, False, False),
        (1.5, 0.03, True, False),
        (1.5, 0.2, False, False),  # not surely
        (0.5, 0.03, False, False),
        (0.2, 0.03, False, True),
        (-0.2, 0.03, False, True),
        (0.3, 0.03, False, False),
        (-0.3, 0.03, False, False),
        (0.1, 0.3, False, False),
        (None, None, False, False),
    ],
)
def test_a_gap_and_a_frame_that_is_as_the_one_before(ratio, error, gap, as_before):
    one = between(ratio, error=error)
    assert (one.gap, one.as_before) == (gap, as_before)


def depths(ratios, error=0.03):
    pairs = pairwise(range(1, len(ratios) + 2))
    return Depths(
        between=tuple(between(one, frames=pair, error=error) for one, pair in zip(ratios, pairs, strict=True))
    )


@pytest.mark.parametrize(
    ("ratios", "swapped"),
    [
        ([1, 1, 2, -1, 2, 1], ((4, 5),)),
        ([-1, 2, 1, 1], ((1, 2),)),  # at an end there is no step before
        ([1, 1, 2, -1], ((4, 5),)),
        ([1, 2, -1, 2, 2, -1, 2, 1], ((3, 4), (6, 7))),
        ([1, 1.7, -0.7, 1.8, 1], ((3, 4),)),  # 0.8 in all
        ([1, 1.6, -0.7, 1.7, 1], ()),  # 1.0
        ([1, 2, 0, 2, 1], ()),
        ([1, 2, None, 2, 1], ()),
        ([1, None, -1, 2, 1], ()),
        ([1, 1, 1], ()),
        ([], ()),
    ],
)
def test_two_pictures_that_changed_places_are_two_steps_one_back_and_two(ratios, swapped):
    assert depths(ratios).swapped == swapped


def test_steps_that_changed_places_explain_are_not_astray():
    told = depths([1, 2, -1, 2, 1, 0, 1, 1.6])
    assert [one.frames for one in told.off] == [(2, 3), (3, 4), (4, 5), (6, 7), (8, 9)]
    assert [one.frames for one in told.astray] == [(6, 7), (8, 9)]


@pytest.mark.parametrize(
    ("ratios", "standstills"),
    [
        ([1, 0, 1], ()),  # two frames alike are one that was taken twice
        ([1, 0, 0, 1], ((2, 3, 4),)),
        ([0, 0, 1, 0, 0, 0], ((1, 2, 3), (4, 5, 6, 7))),
        ([0, 0, None, 0, 0], ((1, 2, 3), (4, 5, 6))),
        ([1, 0, 0.5, 0, 1], ()),
        ([1, 1, 1], ()),
    ],
)
def test_a_rail_that_stood_still_shows_three_frames_or_more_alike(ratios, standstills):
    assert depths(ratios).standstills == standstills


def test_an_end_is_short_where_four_fields_and_three_in_a_hundred_are_still_getting_sharper():
    for inside, before, beyond, short in (
        (0, 4, 0, ()),
        (0, 5, 0, (1,)),
        (100, 0, 5, (9,)),
        (195, 0, 6, ()),  # three in a hundred of all that tell
        (190, 0, 6, (9,)),
        (100, 9, 9, (1, 9)),
        (100, 70, 5, (1,)),
        (100, 5, 70, (9,)),
    ):
        ends = Ends(first=1, last=9, inside=inside, before=before, beyond=beyond, fields=999)
        assert ends.short == short


def test_frames_that_surely_are_smeared():
    smears = {1: Smear(tiles=30), 2: Smear(tiles=30, way_deg=0.0), 3: Smear(reason="few")}
    assert list(Depths(smears=smears).smeared) == [2]
