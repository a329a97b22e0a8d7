"""Parts of a run together, and what numbers in names decide: against every way to do it, tried one by one."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.verifying.alignment import Alignment, Fit, Window
from stacker.verifying.judging import _beyond_chance
from stacker.verifying.legs import Leg, best_together
from stacker.verifying.numbering import told_by_numbers

PICTURES = 6
NONE = Window(early_s=0, late_s=0, first_s=0)


@st.composite
def option(draw):
    """A way to lay pictures beside the shots of one leg, told by what joins it to those of other legs."""
    first = draw(st.integers(0, PICTURES - 1))
    last = draw(st.integers(first, PICTURES - 1))
    reach = draw(st.sampled_from([None, (first, last), (first, last)]))
    return Alignment(
        offset_s=draw(st.sampled_from([0.0, 1.0, 1.5, 1.6, 3.0])),
        shot_of=(None,) * PICTURES,
        count=0 if reach is None else draw(st.integers(1, last - first + 1)),
        open_shots=frozenset(),
        always_open_shots=frozenset(),
        reach=reach,
    )


@st.composite
def evening(draw):
    """Two or three legs, each with some ways."""
    count = draw(st.integers(2, 3))
    legs = [
        Leg(begins_s=draw(st.sampled_from([None, 1000.0 * n, 1000.0 * n])), windows=(NONE,) * 2) for n in range(count)
    ]
    return legs, [draw(st.lists(option(), min_size=1, max_size=3)) for _ in legs]


def goes(legs, way):
    """Whether legs follow one another in the folder, and the camera's clock is off by the same beside each."""
    for n, (one, other) in enumerate(itertools.pairwise(way)):
        if one.reach is None or other.reach is None:
            continue
        if one.reach[1] >= other.reach[0]:
            return False
        begins_s, goes_on_s = legs[n].begins_s, legs[n + 1].begins_s
        if begins_s is None or goes_on_s is None:
            continue
        # a second and a half, and a ten-thousandth of the time between
        if abs(one.offset_s - begins_s - other.offset_s + goes_on_s) > 1.5 + 1e-4 * (goes_on_s - begins_s):
            return False
    return True


@given(evening())
def test_each_leg_keeps_what_takes_part_in_a_best_choice_for_all(made):
    legs, choices = made
    # offsets are of the camera's clock less the leg's own, which begins with it
    choices = [
        [
            Alignment(
                offset_s=one.offset_s + (leg.begins_s or 0.0),
                shot_of=one.shot_of,
                count=one.count,
                open_shots=frozenset(),
                always_open_shots=frozenset(),
                reach=one.reach,
            )
            for one in options
        ]
        for leg, options in zip(legs, choices, strict=True)
    ]
    nothing = Alignment(
        offset_s=0.0,
        shot_of=(None,) * PICTURES,
        count=0,
        open_shots=frozenset({0, 1}),
        always_open_shots=frozenset({0, 1}),
    )
    ways = [way for way in itertools.product(*([*options, nothing] for options in choices)) if goes(legs, way)]
    most = max(sum(one.count for one in way) for way in ways)
    best = [way for way in ways if sum(one.count for one in way) == most]
    for n, kept in enumerate(best_together(legs, choices)):
        assert {*kept} == {way[n] for way in best}
        assert len(kept) >= 1


def test_one_leg_alone_needs_no_way_without_pictures():
    one = Alignment(offset_s=0, shot_of=(None,), count=0, open_shots=frozenset(), always_open_shots=frozenset())
    assert best_together([Leg(begins_s=None, windows=(NONE,))], [[one]]) == [[one]]


@st.composite
def numbered(draw):
    """Shots at an even rhythm, pictures of some of them, wide windows, and the numbers of their names."""
    shots = draw(st.integers(2, 6))
    taken = sorted(draw(st.sets(st.integers(0, shots - 1), min_size=1, max_size=5)))
    numbers = [n + 40 for n in taken]
    if draw(st.booleans()):  # a file was deleted, or a shot did not fire
        after = draw(st.integers(0, len(numbers) - 1))
        change = draw(st.integers(-1, 1))
        numbers = [number + change * (n > after) for n, number in enumerate(numbers)]
    wide = draw(st.sampled_from([0.4, 1.2, 2.2]))
    windows = [Window(early_s=4.0 * n, late_s=4.0 * n, first_s=4.0 * n) for n in range(shots)]
    return windows, [4.0 * n for n in taken], numbers, 4.0 * wide


@given(numbered())
def test_numbers_leave_what_some_way_leaves_that_counts_as_the_camera_did(made):
    windows, taken_s, numbers, slack_s = made
    one = Fit(windows, taken_s, 0.1, slack_s, 1).at(0.0)
    used = [picture for picture, shot in enumerate(one.shot_of) if shot is not None]
    told = told_by_numbers(one, windows, taken_s, numbers, resolution_s=0.1, slack_s=slack_s)
    if one.open_shots == one.always_open_shots:
        assert told is one
        return
    choices = [
        [n for n, shot in enumerate(windows) if shot.early_s - 0.1 - slack_s <= taken_s[i] <= shot.late_s + slack_s]
        for i in used
    ]
    steps = [numbers[b] - numbers[a] for a, b in itertools.pairwise(used)]
    ways = [
        way
        for way in itertools.product(*choices)
        if all(b - a >= max(step, 1) for (a, b), step in zip(itertools.pairwise(way), steps, strict=True))
    ]
    if not ways or min(steps, default=1) < 1:
        assert told is one  # numbers and times contradict each other
        return
    left = [set(range(len(windows))) - {*way} for way in ways]
    assert told.open_shots == set.union(*left)
    assert told.always_open_shots == set.union(*left) - {shot for way in ways for shot in way}
    assert tuple(shot for shot in told.shot_of if shot is not None) in ways


def test_a_picture_without_a_number_decides_nothing():
    windows = [Window(early_s=4.0 * n, late_s=4.0 * n, first_s=4.0 * n) for n in range(3)]
    one = Fit(windows, [0.0, 4.0], 0.1, 5.0, 1).at(0.0)
    assert told_by_numbers(one, windows, [0.0, 4.0], [7, None], resolution_s=0.1, slack_s=5.0) is one


@pytest.mark.parametrize(
    ("count", "shots", "pictures", "more"),
    [
        (0, 60, 0, False),
        (1, 1, 1, True),  # all that there are of a tiny run
        (2, 3, 2, True),
        (2, 60, 2, False),  # two or three find a place by chance at some offset
        (2, 3, 3, False),
        (3, 3, 3, True),
        (3, 4, 4, True),
        (2, 3, 60, False),
        (12, 60, 24, True),  # a dozen at one rhythm do not
        (12, 60, 25, False),  # unless they are less than half
        (11, 60, 20, False),
        (12, 60, 20, True),
        (6, 9, 12, True),
        (5, 9, 9, False),  # two thirds of a short run
        (30, 60, 60, True),
        (29, 60, 60, False),
    ],
)
def test_pictures_at_the_times_of_a_journal_by_chance(count, shots, pictures, more):
    assert _beyond_chance(count, shots, pictures) == more
