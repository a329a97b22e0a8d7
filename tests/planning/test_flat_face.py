"""A subject behind a flat face: every place where depth and what the lens sees of it differ.

Derived: near the axis depth behind a face seems nearer by the index (n sin a' = sin a). Wave optics of it stand in
tests/truth/test_flat_face.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig
from stacker.documents.subject import Subject
from stacker.errors import Refusal
from stacker.optics.spectrum import Spectrum
from stacker.planning import draft as drafting
from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of
from stacker.presenting.bench_card import facts
from stacker.presenting.slices import Slices

INDEX = 1.5
F_MM, EXTENSION_MM = 60.0, 60.0
REQUEST = Request(
    rig=LensRig(
        focal_length_mm=F_MM, max_magnification=0, f_number=4, tubes_mm=(EXTENSION_MM,), working_distance_mm=90
    ),
    camera=Camera(sensor_mm=(24, 16), pixels=(6000, 4000)),
    subject=Subject(depth_mm=3, index=INDEX, below_face_mm=6),
    rail=RailProfile(
        travel_mm=80,
        soft_limits_mm=(0, 80),
        full_steps_per_turn=200,
        microsteps_per_full_step=16,
        lead_mm=1,
        speed_mm_s=3,
        acceleration_mm_s2=15,
        backlash_um=0,
        repeatability_um=4,
        microstep_error=0,
    ),
)


def test_the_face_is_what_the_rig_would_touch():
    # by hand: the front lies 6 mm behind the face and seems 4 mm behind it; the rail goes in by depth over index
    travel_mm = float(draft_of(REQUEST).planes.rail_um[-1]) / 1000
    nearest_mm = 4 + travel_mm + REQUEST.subject.keep_clear_mm
    draft_of(replace(REQUEST, rig=replace(REQUEST.rig, working_distance_mm=nearest_mm + 0.001)))
    with pytest.raises(Refusal, match="the face in front of the subject"):
        draft_of(replace(REQUEST, rig=replace(REQUEST.rig, working_distance_mm=nearest_mm - 0.001)))
    plan = plan_of(REQUEST, {})
    assert plan.optics.working_distance_mm == 90 - 4
    left_mm = 86 - max(plan.frames.rail_um) / 1000
    assert dict(facts(plan))["working distance"].startswith(
        f"86 mm from the rim to the face before the subject, {left_mm:.3g} mm left"
    )
    # told to tenths, depth and travel differ by one millimetre
    assert left_mm > 86 - max(plan.frames.focus_um) / 1000 + 0.9


def test_a_moving_rear_standard_follows_the_depth_that_the_lens_sees():
    draft = draft_of(replace(REQUEST, moves="rear"))
    # the lens equation at the distance that the depth seems to have
    seen_mm = F_MM * 2 + draft.planes.focus_um / INDEX / 1000
    image_mm = 1 / (1 / F_MM - 1 / seen_mm)
    assert draft.planes.rail_um == pytest.approx((F_MM * 2 - image_mm) * 1000, abs=1e-6)
    assert draft.aperture.magnification == pytest.approx(image_mm / seen_mm)
    # each step is the longest that the overlap allows, and the planes end with the first past the back and one more
    assert draft.planes.overlap.min() == pytest.approx(0.3, abs=0.01)
    assert draft.planes.focus_um[-3] < 3000 <= draft.planes.focus_um[-2]


def test_an_error_of_the_rail_is_that_many_times_larger_in_depth(monkeypatch):
    told = {}
    monkeypatch.setattr(drafting, "gap_risk", lambda **given: told.update(given))
    assert draft_of(REQUEST).gap_risk is None
    assert told["repeatability_um"] == pytest.approx(4 * INDEX)
    assert told["dof_um"][0] == pytest.approx(draft_of(REQUEST).planes.slice_um[0])


def test_the_edges_lose_what_the_travel_of_the_camera_makes():
    draft = draft_of(REQUEST)
    travel_mm = float(np.ptp(draft.planes.rail_um)) / 1000
    # u = f (1/m + 1) = 120 mm
    assert draft.edge_loss == pytest.approx(travel_mm / (120 + travel_mm))


@pytest.mark.parametrize("model", ["contrast", "quarter_wave", "blur_circle", "sum"])
def test_each_model_gives_slices_as_many_times_thicker(model):
    resin, air = (
        draft_of(replace(REQUEST, subject=Subject(depth_mm=3, index=index), focus=Focus(model=model)))
        for index in (INDEX, 1.0)
    )
    assert resin.planes.slice_um[0] == pytest.approx(INDEX * air.planes.slice_um[0])
    assert resin.planes.step_microsteps[0] == air.planes.step_microsteps[0]
    assert resin.seam_contrast.min() == pytest.approx(air.seam_contrast.min())


def test_the_page_s_seams_are_the_plan_s():
    plan = plan_of(REQUEST, {})
    assert min(Slices.of(plan, Spectrum.single(550)).seam_contrast) == pytest.approx(
        plan.coverage.seam_contrast, abs=1e-4
    )
