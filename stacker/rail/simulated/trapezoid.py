"""How the simulated motor moves: constant acceleration, constant speed, constant deceleration, in whole microsteps."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Motion:
    """One motion of the motor along a straight piece.

    Parameters
    ----------
    start_s : float
        When it begins.
    origin : int
        Counted position at the start [microsteps].
    direction : int
        1 toward high, -1 toward low.
    lead : float
        Part of a microstep already behind the origin, when a motion is cut into another.
    pieces : tuple of (float, float, float)
        Duration [s], speed at its start [microsteps/s], acceleration [microsteps/s^2] of each piece.
    distance : int
        Whole microsteps from origin to end.
    """

    start_s: float
    origin: int
    direction: int
    lead: float
    pieces: tuple[tuple[float, float, float], ...]
    distance: int

    @property
    def end_s(self) -> float:
        """When the motor is at rest again."""
        return self.start_s + sum(piece[0] for piece in self.pieces)

    @property
    def target(self) -> int:
        """Counted position at the end."""
        return self.origin + self.direction * self.distance

    def _travelled(self, at_s: float) -> tuple[float, float]:
        left, way = max(0.0, at_s - self.start_s), self.lead
        for duration, speed, acceleration in self.pieces:
            spent = min(left, duration)
            way += speed * spent + acceleration * spent * spent / 2
            left -= spent
            if left <= 0:
                return way, max(0.0, speed + acceleration * spent)
        return way, 0.0

    def position(self, at_s: float) -> int:
        """Counted position: the pulses sent until then."""
        if at_s >= self.end_s:
            return self.target
        return self.origin + self.direction * min(self.distance, math.floor(self._travelled(at_s)[0] + 1e-6))

    def speed(self, at_s: float) -> float:
        """Speed without sign [microsteps/s]."""
        return self._travelled(at_s)[1]

    def braked(self, at_s: float, acceleration: float) -> Motion:
        """The motion that follows when the motor decelerates from this instant on."""
        way, speed = self._travelled(at_s)
        done = min(self.distance, math.floor(way + 1e-6))
        lead = max(0.0, way - done)
        rest = min(self.distance - done, math.ceil(lead + speed * speed / (2 * acceleration) - 1e-6))
        return Motion(
            start_s=at_s,
            origin=self.origin + self.direction * done,
            direction=self.direction,
            lead=lead,
            pieces=((speed / acceleration, speed, -acceleration),),
            distance=rest,
        )


def trapezoid(start_s: float, origin: int, target: int, speed: float, acceleration: float) -> Motion:
    """A motion from rest to rest; a triangle when it is too short to reach the speed."""
    distance = abs(target - origin)
    top = min(speed, math.sqrt(distance * acceleration))
    ramp = top / acceleration
    flat = (distance - top * ramp) / top if top else 0.0
    return Motion(
        start_s=start_s,
        origin=origin,
        direction=1 if target >= origin else -1,
        lead=0.0,
        pieces=((ramp, 0.0, acceleration), (flat, top, 0.0), (ramp, top, -acceleration)),
        distance=distance,
    )
