"""How long a move takes: constant acceleration, constant speed, the same deceleration.

The profile is a trapezoid of speed over time, or a triangle when the way is too short to reach full speed.
"""

from __future__ import annotations

import math

from stacker.motion.step_grid import whole_up

PIECE_S = 1.0
"""A move that nothing can stop takes no longer than this [s]: without a stop, longer ones are made in pieces."""


def move_time_s(
    distance_mm: float,
    *,
    speed_mm_s: float,
    acceleration_mm_s2: float,
    piece_s: float = math.inf,
    pause_s: float = 0.0,
) -> float:
    """Time from rest to rest over a distance [s].

    Parameters
    ----------
    distance_mm : float
        Distance [mm]; the sign does not matter.
    speed_mm_s : float
        Largest speed [mm/s], above 0.
    acceleration_mm_s2 : float
        Acceleration, and deceleration [mm/s^2], above 0.
    piece_s, pause_s : float
        How long each piece of the move takes at most, and how long the rail waits after each [s].

    Notes
    -----
    Reaching speed v and stopping again takes v^2/a of travel. From there on the time is L/v + v/a; below it
    2 sqrt(L/a). The two meet with the same value, 2 v/a, and the same slope.
    """
    length_mm = abs(distance_mm)
    if not length_mm:
        return 0.0
    before_s = 0.0
    if piece_s < math.inf:
        piece_mm = way_mm(piece_s, speed_mm_s=speed_mm_s, acceleration_mm_s2=acceleration_mm_s2)
        pieces_before = whole_up(length_mm / piece_mm) - 1
        length_mm -= pieces_before * piece_mm
        before_s = pieces_before * (piece_s + pause_s)
    if length_mm >= 2 * braking_distance_mm(speed_mm_s=speed_mm_s, acceleration_mm_s2=acceleration_mm_s2):
        return before_s + length_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2 + pause_s
    return before_s + 2 * math.sqrt(length_mm / acceleration_mm_s2) + pause_s


def way_mm(seconds: float, *, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """The way that a move of so many seconds makes: `move_time_s`, without pieces, inverted [mm]."""
    ramps_s = 2 * speed_mm_s / acceleration_mm_s2
    if seconds >= ramps_s:
        return speed_mm_s * (seconds - ramps_s / 2)
    return acceleration_mm_s2 * seconds**2 / 4


def braking_distance_mm(*, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Travel from full speed to rest, v^2/(2 a) [mm]: how far a rail runs on after it is told to stop."""
    return speed_mm_s**2 / (2 * acceleration_mm_s2)
