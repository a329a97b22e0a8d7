"""Plans to present: one bench, varied by dotted keys."""

from __future__ import annotations

import pytest

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan, write_plan
from stacker.planning.planner import plan_of

REQUEST = """\
name: Moss capsule
rig: {kind: measured, magnification: 2, f_number: 4, working_distance_mm: 40}
camera:
  sensor_mm: [23.5, 15.7]
  pixels: [6000, 4000]
  raw_mb: 27.5
  card_gb: 64
  battery_frames: 420
  mirror_s: 0.05
  lag_s: 0.02
light: {kind: continuous, exposure_s: 0.4}
subject: {depth_mm: 1.3, width_mm: 9}
"""
RAIL = """\
rail:
  name: Shelf rail
  travel_mm: 60
  soft_limits_mm: [1, 59]
  full_steps_per_turn: 200
  microsteps_per_full_step: 16
  lead_mm: 1
  speed_mm_s: 2
  acceleration_mm_s2: 10
  backlash_um: 12
  repeatability_um: 1
  settle_s: 0.6
  shutter: {via: rail, pulse_s: 0.15}
"""
HAND = """\
rail:
  name: Old micrometer stage
  travel_mm: 25
  soft_limits_mm: [0.5, 24.5]
  dial: {mm_per_turn: 0.5, divisions: 50}
  backlash_um: 30
"""


@pytest.fixture
def plan_file(tmp_path):
    """Write a plan and return its path: ``plan_file("rig.f_number=8", rail=None)``."""

    def make(*overrides, rail=RAIL, name="moss"):
        request = tmp_path / f"{name}.yaml"
        request.write_text(REQUEST + (rail or ""), encoding="utf-8")
        loaded = load_request(request, overrides)
        path = tmp_path / f"{name}.plan.yaml"
        write_plan(plan_of(loaded.value, loaded.assumed), path)
        return path

    return make


@pytest.fixture
def planned(plan_file):
    """The same, read back."""
    return lambda *overrides, **more: read_plan(plan_file(*overrides, **more))


@pytest.fixture
def motor_rail():
    return RAIL


@pytest.fixture
def hand_rail():
    return HAND
