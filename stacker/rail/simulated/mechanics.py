"""What the controller cannot see: where the carriage truly stands, and what the camera makes of its contacts."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.trapezoid import Motion


@dataclass(slots=True)
class Carriage:
    """The carriage behind the motor: slip and backlash part its place from the count.

    Parameters
    ----------
    place : float
        True position [microsteps from the low end].
    slip : int
        Motor minus count: what declaring, stalls and lost steps have done.
    motions : int
        Motions so far.
    """

    place: float
    slip: int = 0
    motions: int = 0

    def at(self, counted: int, options: SimulatedOptions) -> float:
        """Where the carriage stands once the count is this, coming straight from its place."""
        motor = float(counted + self.slip)
        if options.stall_at >= 0:
            motor = min(motor, float(options.stall_at))
        motor = min(max(motor, 0.0), float(options.travel))  # the ends of the screw stall the motor too
        return min(max(self.place, motor), motor + options.backlash)

    def settle(self, motion: Motion, counted: int, options: SimulatedOptions) -> None:
        """Take over the end of a motion: the place, and what a stall or a lost step did to the slip."""
        self.place = self.at(counted, options)
        motor = float(counted + self.slip)
        top = float(options.travel if options.stall_at < 0 else min(options.stall_at, options.travel))
        self.slip += round(min(max(motor, 0.0), top) - motor)
        self.motions += 1
        if options.lose:
            number, steps = (int(word) for word in options.lose.split(":"))
            if self.motions == number:
                self.slip -= motion.direction * steps
                self.place = min(max(self.place, counted + self.slip), counted + self.slip + options.backlash)


@dataclass(slots=True)
class Camera:
    """A camera with a mind of its own: it sleeps, is busy, runs out of card and battery, or ignores a signal.

    Parameters
    ----------
    signals, frames : int
        Shutter signals received, frames taken.
    free_s, awake_s : float
        When it can take the next frame; when it was last busy or woken.
    """

    signals: int = 0
    frames: int = 0
    free_s: float = 0.0
    awake_s: float = 0.0

    def signal(self, at_s: float, focus_since_s: float, options: SimulatedOptions) -> tuple[float | None, str]:
        """React to the shutter contact: when the shutter opens, or None, and why not."""
        self.signals += 1
        asleep = options.asleep_after_s > 0 and at_s - self.awake_s > options.asleep_after_s
        self.awake_s = at_s
        ignored = options.silent_from > 0 and 0 <= self.signals - options.silent_from < options.silent_frames
        reasons = {
            "silent": ignored,
            "asleep": asleep and at_s - focus_since_s < options.wake_s,
            "busy": at_s < self.free_s,
            "card full": 0 <= options.card_frames <= self.frames,
            "battery empty": 0 <= options.battery_frames <= self.frames,
        }
        why = next((reason for reason, holds in reasons.items() if holds), "")
        if why:
            return None, why
        self.frames += 1
        opens_s = at_s + options.lag_s
        self.free_s = opens_s + options.exposure_s + options.camera_busy_s
        return opens_s, ""
