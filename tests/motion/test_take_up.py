"""The take-up: how far, when, and that after it the screw always pushes from the same side."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.motion.take_up import extent, stops, take_up_microsteps


@pytest.mark.parametrize(
    ("backlash_um", "step_um", "microsteps"),
    # Derived by hand: 15 * 1.25 = 18.75 um = 30 microsteps of 0.625 um exactly; of 10 um, 2; of 0.7 um, 26.8.
    [(15, 0.625, 30), (15, 10, 2), (15, 0.7, 27), (0, 0.625, 0), (0.1, 10, 1)],
)
def test_take_up_is_a_quarter_more_rounded_up(backlash_um, step_um, microsteps):
    assert take_up_microsteps(backlash_um=backlash_um, microstep_um=step_um) == microsteps


@pytest.mark.parametrize(
    ("direction", "positions", "expected"),
    # Derived by hand: the first stop and every one that lies against the direction is overshot by 30 and come back to.
    [
        (1, [-10, 50, 110], [(-40, -10), (50,), (110,)]),
        (-1, [110, 50, -10], [(140, 110), (50,), (-10,)]),
        (1, [0, 60, 20, 20], [(-30, 0), (60,), (-10, 20), (20,)]),
        (1, [], []),
    ],
)
def test_a_stop_is_overshot_first_and_against_the_direction(direction, positions, expected):
    assert list(stops(positions, direction=direction, take_up=30)) == expected


def test_a_screw_without_play_takes_up_nothing():
    assert list(stops([5, 3], direction=1, take_up=0)) == [(5,), (3,)]


POSITIONS = st.lists(st.integers(-500, 500), min_size=1, max_size=12)


@given(POSITIONS, st.sampled_from([1, -1]), st.integers(1, 60), st.floats(0, 1), st.floats(0, 1))
def test_every_frame_stands_equally_far_from_its_screw(positions, direction, take_up, share, start):
    """The carriage hangs on the screw with play: at most `play` behind it, never ahead; wherever it hung at first."""
    play = share * take_up
    carriage = -start * play
    lags = set()
    for legs in stops(positions, direction=direction, take_up=take_up):
        for screw in legs:
            carriage = min(max(carriage, screw - play), screw)
        lags.add(round(legs[-1] - carriage, 6))
    assert len(lags) == 1


def test_the_reach_is_the_stack_with_position_0_and_one_take_up():
    assert extent([-10, 50, 110], direction=1, take_up=30) == (-40, 110)
    assert extent([110, 50, -10], direction=-1, take_up=30) == (-10, 140)
    # a run begins at position 0, reached with a take-up
    assert extent([40, 50], direction=1, take_up=30) == (-30, 50)
    assert extent([-40, -50], direction=-1, take_up=30) == (-50, 30)


@given(POSITIONS, st.sampled_from([1, -1]), st.integers(0, 60))
def test_no_stop_lies_beyond_the_reach(positions, direction, take_up):
    low, high = extent(positions, direction=direction, take_up=take_up)
    assert all(low <= leg <= high for legs in stops(positions, direction=direction, take_up=take_up) for leg in legs)
