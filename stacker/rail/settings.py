"""The rail in microsteps, as a run needs it."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.motion.move_time import move_time_s, way_mm
from stacker.motion.step_grid import whole_down


@dataclass(frozen=True, kw_only=True, slots=True)
class RailSettings:
    """The rail in microsteps.

    Parameters
    ----------
    microsteps_per_mm : float
        Microsteps a millimetre of travel.
    microsteps_per_turn : int
        Microsteps a turn of the motor.
    travel : int
        From one hard stop, 0, to the other [microsteps].
    soft_low, soft_high : int
        Soft limits [microsteps], in the rail's own coordinates.
    speed, acceleration : int
        Of a move [microsteps/s, microsteps/s^2].
    take_up : int
        How far beyond a stop to start, so that every stop is approached from the same side [microsteps].
    deadman_s : float
        The controller stops after so long without a question [s].
    """

    microsteps_per_mm: float
    microsteps_per_turn: int
    travel: int
    soft_low: int
    soft_high: int
    speed: int
    acceleration: int
    take_up: int
    deadman_s: float = 2.0

    def microsteps(self, mm: float) -> int:
        """A position or a way in whole microsteps."""
        return round(mm * self.microsteps_per_mm)

    def mm(self, microsteps: int) -> float:
        """A position or a way in mm."""
        return microsteps / self.microsteps_per_mm

    def move_s(self, distance: int) -> float:
        """How long a move over that distance takes [s]."""
        # the formula is the same in microsteps as in mm: both lengths and speeds are in one unit
        return move_time_s(distance, speed_mm_s=self.speed, acceleration_mm_s2=self.acceleration)

    def longest_way(self, seconds: float) -> int:
        """The longest move that takes no more than that [microsteps], one at least."""
        way = way_mm(seconds, speed_mm_s=self.speed, acceleration_mm_s2=self.acceleration)  # in microsteps too
        return max(1, whole_down(way))
