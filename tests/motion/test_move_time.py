import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.motion.move_time import braking_distance_mm, move_time_s, way_mm

RAIL = {"speed_mm_s": 3.0, "acceleration_mm_s2": 15.0}


@pytest.mark.parametrize(
    ("distance_mm", "time_s"),
    # Derived by hand for 3 mm/s and 15 mm/s^2: full speed needs 0.2 s and 0.3 mm, and as much to stop.
    [(0, 0), (0.15, 0.2), (0.6, 0.4), (3.6, 1.4), (-3.6, 1.4), (60.6, 20.4)],
)
def test_hand_worked_moves(distance_mm, time_s):
    assert move_time_s(distance_mm, **RAIL) == pytest.approx(time_s, rel=1e-14)


def test_braking_distance_by_hand():
    # Derived: 3^2 / (2 * 15).
    assert braking_distance_mm(**RAIL) == pytest.approx(0.3, rel=1e-15)


@pytest.mark.parametrize("distance_mm", [0.01, 0.5, 0.6, 0.61, 7.0])
def test_integrating_the_speed_over_the_time_gives_the_distance(distance_mm):
    # Independent of the formula: speed is the smaller of the two ramps and the limit, integrated numerically.
    total_s = move_time_s(distance_mm, **RAIL)
    time_s = np.linspace(0, total_s, 200_001)
    speed_mm_s = np.minimum(3.0, 15.0 * np.minimum(time_s, total_s - time_s))
    travelled_mm = np.sum((speed_mm_s[1:] + speed_mm_s[:-1]) / 2 * np.diff(time_s))
    # The trapezoidal rule is exact but at the three corners: an error of order a dt^2.
    assert travelled_mm == pytest.approx(distance_mm, rel=1e-8)


@given(
    distances_mm=st.lists(st.floats(-500, 500), min_size=1, max_size=20),
    speed_mm_s=st.floats(0.01, 100),
    acceleration_mm_s2=st.floats(0.1, 5000),
)
def test_a_longer_move_never_takes_less(distances_mm, speed_mm_s, acceleration_mm_s2):
    rail = {"speed_mm_s": speed_mm_s, "acceleration_mm_s2": acceleration_mm_s2}
    times_s = np.array([move_time_s(each, **rail) for each in sorted(map(abs, distances_mm))])
    # One part in 10^12 for the seam between triangle and trapezoid, where both formulas give 2 v/a.
    assert np.all(np.diff(times_s) >= -1e-12 * times_s[1:])


@given(seconds=st.floats(0.001, 1000), speed_mm_s=st.floats(0.01, 100), acceleration_mm_s2=st.floats(0.1, 5000))
def test_a_reach_takes_its_time(seconds, speed_mm_s, acceleration_mm_s2):
    rail = {"speed_mm_s": speed_mm_s, "acceleration_mm_s2": acceleration_mm_s2}
    assert move_time_s(way_mm(seconds, **rail), **rail) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize(
    ("distance_mm", "time_s"),
    # Derived by hand: at 3 mm/s and 15 mm/s^2 a second makes 3 * (1 - 0.2) = 2.4 mm; after each, half a second's wait.
    [
        (0.0, 0.0),
        (2.4, 1.0 + 0.5),
        (-2.4, 1.0 + 0.5),
        (6.0, 2 * (1.0 + 0.5) + 1.2 / 3 + 0.2 + 0.5),
        (4.8 + 0.15, 2 * (1.0 + 0.5) + 2 * math.sqrt(0.15 / 15) + 0.5),
    ],
)
def test_a_move_in_pieces(distance_mm, time_s):
    rail = {"speed_mm_s": 3, "acceleration_mm_s2": 15}
    assert move_time_s(distance_mm, **rail, piece_s=1, pause_s=0.5) == pytest.approx(time_s, rel=1e-9)


def test_driving_can_use_motion_without_numpy():
    code = "import sys, stacker.motion.move_time, stacker.motion.step_grid; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
