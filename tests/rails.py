"""The rail of most tests: a millimetre is 1600 microsteps, the screw has 2 mm or, with `lead_mm=1`, 3200."""

from __future__ import annotations

from textwrap import indent

from stacker.rail.settings import RailSettings

SETTINGS = RailSettings(
    microsteps_per_mm=1600.0,
    microsteps_per_turn=3200,
    travel=128_000,
    soft_low=3200,
    soft_high=124_800,
    speed=4800,
    acceleration=24_000,
    take_up=30,
)


def profile_text(*, lead_mm: int = 2, backlash_um: int = 15) -> str:
    """The same rail as a person writes its profile, without a link."""
    return f"""\
travel_mm: 80
soft_limits_mm: [2, 78]
full_steps_per_turn: 200
microsteps_per_full_step: 16
lead_mm: {lead_mm}
speed_mm_s: 3
acceleration_mm_s2: 15
backlash_um: {backlash_um}
"""


def rail_block(**more: int) -> str:
    """The profile as the block of a request; lines indented by two belong to it too."""
    return "rail:\n" + indent(profile_text(**more), "  ")
