"""What happens when in each frame of a plan: the rail moves, all settles, the camera waits, the shutter is open."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stacker.documents.plan import Plan
from stacker.documents.rail_profile import RailProfile
from stacker.motion.move_time import move_time_s
from stacker.motion.take_up import stops


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameTimes:
    """One frame; seconds from the rail at rest at position 0.

    Parameters
    ----------
    leaves_s, arrives_s, settled_s, opens_s, closes_s : float
        The rail leaves and arrives; nothing shakes any more; the shutter opens and closes [s].
    """

    leaves_s: float
    arrives_s: float
    settled_s: float
    opens_s: float
    closes_s: float


def stops_microsteps(plan: Plan) -> list[tuple[int, ...]]:
    """Where the rail goes for each frame, as `stacker.motion.take_up.stops` has it; empty for a plan without a rail."""
    positions = [position for position in plan.frames.position_microsteps if position is not None]
    return list(stops(positions, direction=plan.request.direction, take_up=plan.motion.take_up_microsteps or 0))


def move_times_s(plan: Plan, profile: RailProfile, *, piece_s: float = math.inf, pause_s: float = 0.0) -> list[float]:
    """How long the rail moves before each frame, take-up included [s]; pieces and pauses as for `move_time_s`."""
    microstep_um, here, times_s = plan.motion.microstep_um or 0.0, 0, []
    for legs in stops_microsteps(plan):
        total_s = 0.0
        for stop in legs:
            total_s += move_time_s(
                (stop - here) * microstep_um / 1000,
                speed_mm_s=profile.speed_mm_s,
                acceleration_mm_s2=profile.acceleration_mm_s2,
                piece_s=piece_s,
                pause_s=pause_s,
            )
            here = stop
        times_s.append(total_s)
    return times_s


def frame_times(plan: Plan) -> list[FrameTimes]:
    """The clock of every frame in shooting order; empty where the plan does not know the time."""
    profile, frames = plan.request.rail, plan.frames
    if not isinstance(profile, RailProfile):
        return []
    leaves_s, times = 0.0, []
    delay_s = plan.request.camera.mirror_s + plan.request.camera.lag_s
    moves = move_times_s(plan, profile, piece_s=profile.piece_s, pause_s=profile.pause_s)
    for moves_s, opens_s, exposure_s in zip(moves, frames.start_s, frames.exposure_s, strict=True):
        if opens_s is None or exposure_s is None:
            return []
        arrives_s = leaves_s + moves_s
        # the plan's times are rounded to milliseconds, so a frame may seem to settle a trifle after its shutter opens
        settled_s = min(arrives_s + profile.settle_s, opens_s)
        times.append(
            FrameTimes(
                leaves_s=leaves_s,
                arrives_s=min(arrives_s, settled_s),
                settled_s=settled_s,
                opens_s=opens_s,
                closes_s=opens_s + exposure_s,
            )
        )
        leaves_s = max(opens_s + exposure_s, opens_s - delay_s + profile.held_s)
    return times
