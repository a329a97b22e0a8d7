"""A move of the board of these tests: constant acceleration, constant speed, the same deceleration."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass
class Move:
    """A trapezoid between two machine positions [mm]."""

    begins_s: float
    start_mm: float
    end_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float

    def __post_init__(self):
        way = abs(self.end_mm - self.start_mm)
        self.top = min(self.speed_mm_s, math.sqrt(way * self.acceleration_mm_s2))
        self.ramp_s = self.top / self.acceleration_mm_s2
        self.flat_s = way / self.top - self.ramp_s if self.top else 0.0

    @property
    def ends_s(self):
        return self.begins_s + 2 * self.ramp_s + self.flat_s

    def at(self, now_s):
        t, way = now_s - self.begins_s, abs(self.end_mm - self.start_mm)
        if t <= 0:
            return self.start_mm
        if t >= self.ends_s - self.begins_s:
            return self.end_mm
        left_s = self.ends_s - now_s
        if t < self.ramp_s:
            done = self.acceleration_mm_s2 * t * t / 2
        elif left_s < self.ramp_s:
            done = way - self.acceleration_mm_s2 * left_s * left_s / 2
        else:
            done = self.top * (t - self.ramp_s / 2)
        return self.start_mm + math.copysign(done, self.end_mm - self.start_mm)
