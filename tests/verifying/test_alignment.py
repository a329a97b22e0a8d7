"""Pictures laid beside shots, against brute force: every way to lay a few of them, and matchings by a graph library."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from stacker.verifying.alignment import Fit, Window, alignments
from stacker.verifying.offsets import likely_offsets

RESOLUTION_S, SLACK_S = 1.0, 0.5
LATE_S = 100.0  # the camera's clock


@st.composite
def legs(draw, most=6):
    """Windows that rise, as those of a journal do, and pictures in order."""
    moments = sorted(draw(st.lists(st.integers(0, 40), min_size=1, max_size=most)))
    taken_s = sorted(draw(st.lists(st.integers(0, 40), min_size=1, max_size=most)))
    wide = draw(st.integers(0, 3))
    return [Window(early_s=at, late_s=at + wide, first_s=at) for at in moments], [one + LATE_S for one in taken_s]


def fits(window, taken_s):
    """Whether a shot can have made a picture."""
    return window.early_s - RESOLUTION_S - SLACK_S <= taken_s - LATE_S <= window.late_s + SLACK_S


def largest(windows, taken_s):
    """How many pictures can have a shot of their own, by a graph library."""
    table = np.array([[fits(window, at_s) for at_s in taken_s] for window in windows])
    if not table.any():
        return 0
    return int(np.count_nonzero(maximum_bipartite_matching(csr_array(table.astype(int))) >= 0))


def ways(windows, taken_s):
    """Every largest way to lay pictures beside shots, each a set of (picture, shot)."""
    best: list[frozenset[tuple[int, int]]] = []
    choices = [[None, *(i for i, window in enumerate(windows) if fits(window, at_s))] for at_s in taken_s]
    for way in itertools.product(*choices):
        used = [shot for shot in way if shot is not None]
        if len(set(used)) < len(used) or (best and len(used) < len(best[0])):
            continue
        pairs = frozenset((picture, shot) for picture, shot in enumerate(way) if shot is not None)
        best = [pairs] if not best or len(pairs) > len(best[0]) else [*best, pairs]
    return best


@given(legs())
def test_as_many_pictures_as_can_be_have_a_shot(leg):
    windows, taken_s = leg
    one = Fit(windows, taken_s, RESOLUTION_S, SLACK_S, 1).at(LATE_S)
    assert one.count == largest(windows, taken_s)
    used = [shot for shot in one.shot_of if shot is not None]
    assert len(set(used)) == len(used) == one.count
    assert all(fits(windows[shot], at_s) for shot, at_s in zip(one.shot_of, taken_s, strict=True) if shot is not None)
    pictures = [picture for picture, shot in enumerate(one.shot_of) if shot is not None]
    assert one.reach == ((pictures[0], pictures[-1]) if pictures else None)


@given(legs(most=5))
def test_open_is_what_some_largest_way_leaves_and_always_open_what_no_picture_of_another_could_fill(leg):
    windows, taken_s = leg
    one = Fit(windows, taken_s, RESOLUTION_S, SLACK_S, 1).at(LATE_S)
    every = ways(windows, taken_s)
    left = [set(range(len(windows))) - {shot for _, shot in way} for way in every]
    assert one.open_shots == set.union(*left)
    assert one.always_open_shots <= set.intersection(*left)
    for shot in set.intersection(*left) - one.always_open_shots:  # others' pictures lie in its window
        assert any(fits(windows[shot], at_s) for at_s in taken_s)


@given(legs(most=5))
def test_unsettled_is_each_shot_that_gets_other_pictures_some_other_way(leg):
    windows, taken_s = leg
    fit = Fit(windows, taken_s, RESOLUTION_S, SLACK_S, 1)
    one = fit.at(LATE_S)
    mine = {shot: picture for picture, shot in enumerate(one.shot_of) if shot is not None}
    others = [{shot: picture for picture, shot in way} for way in ways(windows, taken_s)]
    unused = [picture for picture, shot in enumerate(one.shot_of) if shot is None]
    for other in others:
        changed = {shot for shot, picture in mine.items() if other.get(shot) != picture}
        if {*other.values()} & {*unused}:  # a picture without a shot takes a place in it
            assert fit.settled(one).unsettled & changed
    if not unused:
        assert fit.settled(one).unsettled == frozenset()


def window(at_s, *, first_s=None):
    return Window(early_s=at_s, late_s=at_s, first_s=at_s if first_s is None else first_s)


def test_a_late_reply_has_its_picture_by_a_second_chance_that_proves_nothing():
    shots = [window(0), window(10, first_s=4), window(20)]
    one = Fit(shots, [0.0, 5.0, 20.0], 0.1, 0.2, 1).at(0.0)
    assert one.shot_of == (0, 1, 2)
    assert one.count == 2  # by the likely moments alone
    assert one.open_shots == {1}
    assert one.always_open_shots == frozenset()
    assert one.reach == (0, 2)
    early = Fit(shots, [0.0, 3.0, 20.0], 0.1, 0.2, 1).at(0.0)  # before it can have begun
    assert early.shot_of == (0, None, 2)
    assert early.always_open_shots == {1}


def test_a_second_chance_fills_no_shot_twice_and_lends_no_picture_twice():
    shots = [window(0), window(10, first_s=4), window(12, first_s=5)]
    assert Fit(shots, [0.0, 6.0, 6.0, 7.0], 0.1, 0.2, 1).at(0.0).shot_of == (0, 1, 2, None)
    assert Fit(shots, [0.0, 6.0], 0.1, 0.2, 1).at(0.0).shot_of == (0, 1)


def test_settled_where_a_picture_lies_by_a_second_chance():
    shots = [window(0), window(10, first_s=4)]
    fit = Fit(shots, [0.0, 5.0, 10.0], 0.1, 0.2, 1)
    one = fit.at(0.0)
    assert one.shot_of == (0, None, 1)
    assert fit.settled(one).unsettled == frozenset()
    lone = Fit(shots, [0.0, 0.1, 5.0], 0.1, 0.2, 1)
    assert lone.settled(lone.at(0.0)).unsettled == {0}  # the second could be the first shot's


def test_a_bracket_goes_on_until_the_next_shot():
    shots = [window(0), window(3), window(60)]
    one = Fit(shots, [0.0, 0.5, 1.0, 3.0, 4.0, 5.0, 60.0, 62.0, 64.0], 0.1, 0.5, 3).at(0.0)
    assert one.shot_of == (0, 0, 0, 1, 1, 1, 2, 2, 2)
    assert one.count == 9
    assert one.open_shots == frozenset()
    apart = Fit(shots, [0.0, 0.5, 3.0, 4.0, 5.0, 60.0], 0.1, 0.5, 3).at(0.0)
    assert apart.shot_of == (0, 0, 1, 1, 1, 2)
    assert apart.always_open_shots == {0, 2}
    far = Fit(shots, [0.0, 20.0], 0.1, 0.5, 3).at(0.0)  # ten times what clocks may be off, no more
    assert far.shot_of == (0, None)


@pytest.mark.parametrize("late_s", [0.0, 7.25, 4000.0, -86400.0])
def test_the_clock_s_offset_is_found(late_s):
    moments = np.cumsum(np.random.default_rng(4).uniform(2, 9, 30))
    taken_s = np.floor(moments + late_s)  # to whole seconds, as cameras do
    found = alignments([window(at) for at in moments], list(taken_s), resolution_s=1.0, slack_s=0.5)
    assert found[0].count == 30
    assert found[0].shot_of == tuple(range(30))
    assert abs(found[0].offset_s - late_s) < 1.5
    assert [one.count for one in found] == sorted((one.count for one in found), reverse=True)
    assert found[-1].count >= 20  # within MARGIN of the largest


def test_nothing_to_lay():
    (none,) = alignments([], [1.0], resolution_s=1, slack_s=1)
    assert (none.shot_of, none.open_shots) == ((None,), frozenset())
    (bare,) = alignments([window(0), window(9)], [], resolution_s=1, slack_s=1)
    assert (bare.shot_of, bare.count, bare.open_shots, bare.always_open_shots) == ((), 0, {0, 1}, {0, 1})


@given(legs(), st.integers(-30, 30))
def test_no_offset_holds_more_pictures_than_its_cell_says(leg, offset_s):
    windows, taken_s = leg
    low_s, high_s = [one.early_s - 0.75 for one in windows], [one.late_s + 0.3 for one in windows]
    cells = likely_offsets(low_s, high_s, taken_s, cell_s=0.5)
    assert [votes for votes, _ in cells] == sorted((votes for votes, _ in cells), reverse=True)
    # by hand: pairs whose span of offsets meets the cell
    said = {middle_s: votes for votes, middle_s in cells}
    for middle_s, votes in said.items():
        pairs = [
            at_s - high <= middle_s + 0.25 and at_s - low >= middle_s - 0.25
            for low, high in zip(low_s, high_s, strict=True)
            for at_s in taken_s
        ]
        assert votes == sum(pairs)
    here = sum(low <= at_s - offset_s <= high for low, high in zip(low_s, high_s, strict=True) for at_s in taken_s)
    assert here <= max((votes for middle_s, votes in said.items() if abs(middle_s - offset_s) <= 0.25), default=0)


def test_of_a_long_run_the_true_offset_is_found_with_all_its_pictures():
    """So many pairs that some of the shots tell where to look."""
    rng = np.random.default_rng(6)
    moments = np.cumsum(rng.uniform(1, 30, 900))
    taken_s = list(np.sort(np.concatenate([np.delete(moments, 17) + 1234.0, rng.uniform(1234, 15000, 40)])))
    cells = likely_offsets(list(moments - 0.2), list(moments + 0.2), taken_s, cell_s=0.2)
    assert cells[0][0] >= 899
    assert abs(cells[0][1] - 1234) <= 0.3
    quick = likely_offsets(list(moments[:300] - 0.2), list(moments[:300] + 0.2), taken_s[:300], cell_s=0.2)
    assert len(quick) > len(cells)  # there every offset was asked, here those near the best
