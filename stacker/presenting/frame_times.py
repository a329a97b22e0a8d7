"""What happens when in each frame of a plan: the rail moves, all settles, the camera waits, the shutter is open."""

from __future__ import annotations

from stacker.documents.pace import stack_times
from stacker.documents.plan import Plan
from stacker.documents.rail_profile import RailProfile
from stacker.motion.frame_clock import FrameTimes
from stacker.rail.wire_time import wire_of


def planned_times(plan: Plan) -> list[FrameTimes]:
    """The clock of every frame in shooting order; empty where the plan does not know the time."""
    profile, frames = plan.request.rail, plan.frames
    if not isinstance(profile, RailProfile) or None in frames.start_s:
        return []
    positions = [position or 0 for position in frames.position_microsteps]
    exposures_s = [exposure_s or 0.0 for exposure_s in frames.exposure_s]
    return list(stack_times(plan.request, profile, positions, exposures_s, wire_of(profile)))
