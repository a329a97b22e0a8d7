"""Which frames are taken, and that refocusing errors become duplicates and not gaps."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stacker.driving.selection import CLOSING, ends, listed, widened
from stacker.errors import Refusal


@pytest.mark.parametrize(
    ("count", "frames"), [(1, (1,)), (2, (1, 2)), (3, (1, 2, 3)), (10, (1, 5, 10)), (213, (1, 107, 213))]
)
def test_ends_are_front_middle_and_back(count, frames):
    assert ends(count) == frames


def test_frames_as_typed():
    assert listed("41,42", 60) == (41, 42)
    assert listed("7-9, 3,8", 60) == (3, 7, 8, 9)


@pytest.mark.parametrize("text", ["", "x", "0", "61", "5-3", "1,,2", "1-", "-3", "1.5", "2-99", "²"])
def test_wrong_frames_are_told(text):
    with pytest.raises(Refusal, match="--frames"):
        listed(text, 60)


def test_a_resume_after_a_lost_position_restarts_early_by_a_slice():
    focus = [20.0 * n for n in range(10)]
    assert widened((6, 7, 8, 9, 10), focus, [30.0] * 10, None) == (4, 5, 6, 7, 8, 9, 10)
    assert widened((6, 7, 8, 9, 10), focus, [30.0] * 10, 0.0) == (6, 7, 8, 9, 10)
    assert widened((6, CLOSING), focus, [30.0] * 10, 20.0) == (5, 6, 7, CLOSING)
    # focused anew a second time: the two fronts may be off to either side
    assert widened((6,), focus, [30.0] * 10, 20.0, again=True) == (4, 5, 6, 7, 8)


@example(count=2, missing={1}, share=1.0, error_um=31.0, back_to_front=True)
@given(
    count=st.integers(2, 40),
    missing=st.sets(st.integers(1, 40), min_size=1),
    share=st.floats(-1, 1),
    error_um=st.floats(0, 120),
    back_to_front=st.booleans(),
)
def test_any_error_up_to_the_stated_one_leaves_no_gap(count, missing, share, error_um, back_to_front):
    step_um, slice_um = 20.0, 30.0
    focus = [step_um * n for n in range(count)]
    if back_to_front:
        focus.reverse()
    pending = sorted(number for number in missing if number <= count)
    if not pending:
        return
    again = widened(pending, focus, [slice_um] * count, error_um)
    assert set(pending) <= set(again)
    off_um = share * error_um
    good = [focus[number - 1] for number in range(1, count + 1) if number not in pending]
    planes = sorted(good + [focus[number - 1] + off_um for number in again])
    # within the error of the stack's two ends nobody can promise anything; between them there is no hole
    first_um, last_um = min(focus) + error_um, max(focus) - error_um
    assert planes[0] <= first_um
    assert planes[-1] >= last_um or last_um < first_um
    holes = [
        (here + slice_um / 2, there - slice_um / 2)
        for here, there in pairwise(planes)
        if there - here > slice_um + 1e-9
    ]
    assert not [hole for hole in holes if hole[0] < last_um and hole[1] > first_um], holes
