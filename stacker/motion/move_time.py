"""How long a move takes: constant acceleration, constant speed, the same deceleration.

The profile is a trapezoid of speed over time, or a triangle when the way is too short to reach full speed.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def move_time_s(distance_mm: float, *, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Time from rest to rest over a distance [s].

    Parameters
    ----------
    distance_mm : float
        Distance [mm]; the sign does not matter.
    speed_mm_s : float
        Largest speed [mm/s], above 0.
    acceleration_mm_s2 : float
        Acceleration, and deceleration [mm/s^2], above 0.

    Notes
    -----
    Reaching speed v and stopping again takes v^2/a of travel. From there on the time is L/v + v/a; below it
    2 sqrt(L/a). The two meet with the same value, 2 v/a, and the same slope.
    """
    length_mm = abs(distance_mm)
    if length_mm >= 2 * braking_distance_mm(speed_mm_s=speed_mm_s, acceleration_mm_s2=acceleration_mm_s2):
        return length_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2
    return 2 * math.sqrt(length_mm / acceleration_mm_s2)


def move_times_s(
    distances_mm: NDArray[np.float64], *, speed_mm_s: float, acceleration_mm_s2: float
) -> NDArray[np.float64]:
    """`move_time_s` for every distance of an array of any shape [s]."""
    import numpy as np

    length_mm = np.abs(distances_mm)
    reaches_speed = length_mm >= 2 * braking_distance_mm(speed_mm_s=speed_mm_s, acceleration_mm_s2=acceleration_mm_s2)
    trapezoid_s = length_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2
    return np.where(reaches_speed, trapezoid_s, 2 * np.sqrt(length_mm / acceleration_mm_s2))


def braking_distance_mm(*, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Travel from full speed to rest, v^2/(2 a) [mm]: how far a rail runs on after it is told to stop."""
    return speed_mm_s**2 / (2 * acceleration_mm_s2)
