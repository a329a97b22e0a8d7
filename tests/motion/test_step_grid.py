import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stacker.motion.step_grid import (
    division_um,
    microstep_um,
    whole_down,
    whole_down_each,
    whole_up,
)


@pytest.mark.parametrize(("lead_mm", "full_step_um"), [(2, 10), (8, 40), (1, 5)])
def test_full_step_of_a_1_8_degree_motor(lead_mm, full_step_um):
    # Common practice, no source: a 1.8 degree motor makes 200 full steps a turn; leads of 2, 8 and 1 mm.
    found = microstep_um(lead_mm=lead_mm, full_steps_per_turn=200, microsteps_per_full_step=1)
    assert found == full_step_um


def test_four_start_screw_of_2_mm_pitch_is_a_lead_of_8_mm():
    # Common practice, no source: lead = starts * pitch.
    assert microstep_um(lead_mm=4 * 2, full_steps_per_turn=200, microsteps_per_full_step=1) == 40


def test_a_reduction_and_microsteps_divide_the_full_step():
    # Derived: 10 um / 16 / 5.
    found = microstep_um(lead_mm=2, full_steps_per_turn=200, microsteps_per_full_step=16, motor_turns_per_screw_turn=5)
    assert found == pytest.approx(0.125, rel=1e-15)


def test_dial_division():
    assert division_um(mm_per_turn=0.5, divisions=50) == 10  # derived: a hundredth of a mm


@given(
    count=st.integers(-(10**9), 10**9),
    lead_mm=st.sampled_from([0.5, 1.0, 1.25, 2.0, 2.54, 4.0, 5.08, 8.0]),
    microsteps=st.sampled_from([1, 2, 4, 8, 10, 16, 32, 64, 128, 256]),
    turns=st.sampled_from([1.0, 1.5, 3.0, 3.7, 5.18, 100.0]),
)
@example(count=434_280_105, lead_mm=2.54, microsteps=128, turns=3.7)  # noise of 6e-8 of a step
def test_an_exact_multiple_survives_the_way_through_millimetres(count, lead_mm, microsteps, turns):
    step_um = microstep_um(
        lead_mm=lead_mm,
        full_steps_per_turn=200,
        microsteps_per_full_step=microsteps,
        motor_turns_per_screw_turn=turns,
    )
    length_mm = count * step_um / 1000
    steps = length_mm * 1000 / step_um
    assert whole_down(steps) == count == whole_up(steps)
    assert whole_down_each(np.array([steps])).tolist() == [count]


@given(steps=st.floats(-1e12, 1e12))
def test_rounding_down_is_the_floor_but_for_noise(steps):
    # Compared with exact rational arithmetic: never above by more than the allowance, never below the floor.
    found = whole_down(steps)
    assert math.floor(Fraction(steps)) <= found
    assert Fraction(found) - Fraction(steps) <= Fraction(1.01e-9) + abs(Fraction(steps)) * Fraction(2) ** -49
    assert whole_up(steps) == -whole_down(-steps)
    assert whole_down_each(np.array([[steps]])).item() == found


@pytest.mark.parametrize(
    ("steps", "down", "up"),
    [
        (12.0, 12, 12),
        (11.9999999999, 12, 12),
        (12.0000000001, 12, 12),
        (11.9999999991, 12, 12),  # a billionth of a step is noise ...
        (11.9999999985, 11, 12),  # ... and more is a length
        (12.0000000015, 12, 13),
        (11.99999, 11, 12),
        (12.00001, 12, 13),
    ],
)
def test_what_counts_as_noise(steps, down, up):
    assert (whole_down(steps), whole_up(steps)) == (down, up)


@pytest.mark.parametrize("steps", [math.nan, math.inf])
def test_no_count_is_made_of_what_is_not_finite(steps):
    with pytest.raises((ValueError, OverflowError)):
        whole_down(steps)
