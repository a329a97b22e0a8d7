"""What a draft hands from one part of the planner to the next, by lens equations and sums done by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus, Weighted
from stacker.documents.light import Light
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig, MeasuredRig
from stacker.documents.subject import Subject
from stacker.errors import Refusal
from stacker.planning import draft as drafting
from stacker.planning.draft import draft_of

F_MM, EXTENSION_MM, FACTOR = 75.0, 112.5, 1.4  # a bellows at 1.5x, and a converter that travels with the sensor
RAIL = RailProfile(
    travel_mm=200,
    soft_limits_mm=(0, 200),
    full_steps_per_turn=200,
    microsteps_per_full_step=16,
    lead_mm=2,
    speed_mm_s=3,
    acceleration_mm_s2=15,
    backlash_um=0,
    repeatability_um=4.0,
    microstep_error=0,
    periodic_error_um=6.0,
)
REAR = Request(
    rig=LensRig(
        focal_length_mm=F_MM,
        max_magnification=0,
        f_number=5.6,
        tubes_mm=(EXTENSION_MM,),
        pupil_magnification=0.8,
        converter=FACTOR,
        working_distance_mm=90,
    ),
    camera=Camera(sensor_mm=(23.5, 15.7), pixels=(6000, 4000)),
    light=Light(kind="continuous", exposure_s=2),
    subject=Subject(depth_mm=4),
    rail=RAIL,
    moves="rear",
)
CAMERA_MOVES = replace(REAR, moves="camera", rig=MeasuredRig(magnification=0.9, f_number=4, working_distance_mm=60))


def subject_mm(image_mm):
    """The thin lens: where the plane lies that is sharp at `image_mm`."""
    return 1 / (1 / F_MM - 1 / image_mm)


def test_errors_of_a_moving_rear_are_told_where_the_subject_is(monkeypatch):
    told = {}
    monkeypatch.setattr(drafting, "gap_risk", lambda **given: told.update(given))
    draft = draft_of(REAR)
    planes = draft.planes
    assert draft.gap_risk is None
    # independent: how far the plane of focus moves for a hundredth of a um of the rail, by the lens equation; it
    # bends by 1e-7 of itself over that
    image_mm = F_MM + EXTENSION_MM - planes.rail_um / 1000
    moved = (subject_mm(image_mm - 1e-5) - subject_mm(image_mm)) / 1e-5
    assert told["repeatability_um"] == pytest.approx(4.0 * moved, rel=1e-5)
    assert told["periodic_error_um"] == pytest.approx(6.0 * moved, rel=1e-5)
    assert told["screw_turns"] == pytest.approx(planes.rail_um / 2000)  # a lead of 2 mm
    assert told["depth_um"] == 4000


def test_errors_of_a_moving_camera_are_those_of_its_rail(monkeypatch):
    told = {}
    monkeypatch.setattr(drafting, "gap_risk", lambda **given: told.update(given))
    assert draft_of(CAMERA_MOVES).gap_risk is None
    assert (told["repeatability_um"], told["periodic_error_um"]) == (4.0, 6.0)
    assert draft_of(replace(CAMERA_MOVES, rail=replace(RAIL, periodic_error_um=None))).gap_risk is None
    assert told["periodic_error_um"] == 0


def test_the_motor_s_own_error_adds_to_the_scatter(monkeypatch):
    told = {}
    monkeypatch.setattr(drafting, "gap_risk", lambda **given: told.update(given))
    assert draft_of(replace(CAMERA_MOVES, rail=replace(RAIL, microstep_error=0.3))).gap_risk is None
    # by hand: a full step is 2 mm/200 = 10 um; evenly within 3 um either way scatters by sqrt(3) um, and 16 + 3 = 19
    assert told["repeatability_um"] == pytest.approx(19**0.5)


def test_a_lamp_gives_a_frame_less_light_the_farther_the_sensor_is():
    # independent: with the lens at rest the light falls with the square of the way from exit pupil to sensor,
    # f P = 60 mm and the extension; what a converter does is the same for all frames
    draft = draft_of(REAR)
    way_mm = 0.8 * F_MM + EXTENSION_MM - draft.planes.rail_um / 1000
    front_mm = 0.8 * F_MM + EXTENSION_MM
    assert draft.exposure_s == pytest.approx(2 * (way_mm / front_mm) ** 2)
    assert np.ptp(draft.exposure_s) > 0.05
    flash = draft_of(replace(REAR, light=Light(kind="flash", exposure_s=0.01)))
    assert set(flash.exposure_s.tolist()) == {0.01}
    assert set(draft_of(CAMERA_MOVES).exposure_s.tolist()) == {2}
    assert draft_of(replace(REAR, light=None)).exposure_s is None


def test_a_moving_rear_comes_no_nearer_to_the_subject():
    close = Subject(depth_mm=4, keep_clear_mm=89)
    assert draft_of(replace(REAR, subject=close)).planes.frame_count > 1
    with pytest.raises(Refusal, match="the rig would come to 8"):
        draft_of(replace(REAR, subject=close, moves="camera"))


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_collision_is_told_without_a_rail_too(order):
    # by hand: without a rail there is no take-up, and the deepest plane is as near as the rig comes
    request = replace(CAMERA_MOVES, rail=None, order=order, subject=Subject(depth_mm=4, keep_clear_mm=1))
    deepest_mm = float(draft_of(request).planes.focus_um[-1]) / 1000
    assert deepest_mm >= 4
    draft_of(replace(request, rig=replace(request.rig, working_distance_mm=deepest_mm + 1.0001)))
    with pytest.raises(Refusal, match=r"the rig would come to 0\.99 mm from the front of the subject"):
        draft_of(replace(request, rig=replace(request.rig, working_distance_mm=deepest_mm + 0.99)))
    with pytest.raises(Refusal, match=r"the rig would run 0\.1 mm past the front of the subject"):
        draft_of(replace(request, rig=replace(request.rig, working_distance_mm=deepest_mm - 0.1)))


def test_a_depth_jogged_on_the_rail_is_as_wrong_as_its_steps():
    # by hand: a lead wrong by 5 % either way asks for 0.2 mm more at both ends of 4 mm, unless the same lead gave the 4
    rail = replace(RAIL, lead_error=0.05)
    told = draft_of(replace(CAMERA_MOVES, rail=rail)).planes.focus_um
    jogged = draft_of(
        replace(CAMERA_MOVES, rail=rail, subject=Subject(depth_mm=4, depth_source="rail"))
    ).planes.focus_um
    assert told[0] <= -200
    assert told[-1] >= 4200
    exact = draft_of(replace(CAMERA_MOVES, rail=replace(rail, lead_error=0.0))).planes.focus_um
    assert jogged.tolist() == exact.tolist()
    assert jogged[-1] - jogged[0] < told[-1] - told[0] - 200


def test_colours_are_weighted_or_a_band_or_one():
    lamps = (Weighted(nm=460, weight=1), Weighted(nm=620, weight=3))
    found = draft_of(replace(CAMERA_MOVES, focus=Focus(wavelengths=lamps))).criterion.spectrum
    assert (found.wavelengths_nm, found.mean_nm) == ((460, 620), 580)
    band = draft_of(replace(CAMERA_MOVES, focus=Focus(wavelengths=(450, 650)))).criterion.spectrum
    assert band.mean_nm == pytest.approx(550)
    assert 450 < min(band.wavelengths_nm) < max(band.wavelengths_nm) < 650
    assert draft_of(replace(CAMERA_MOVES, focus=Focus(wavelength_nm=532))).criterion.spectrum.wavelengths_nm == (532,)


def test_output_pixels_go_along_the_longer_side():
    # by hand: an upright sensor of 15.7 x 23.5 mm delivered as 1000 pixels along the 23.5
    upright = replace(CAMERA_MOVES, camera=Camera(sensor_mm=(15.7, 23.5), pixels=(4000, 6000)))
    draft = draft_of(replace(upright, focus=Focus(output_pixels=1000)))
    assert draft.criterion.output_pitch_um == pytest.approx(23.5)
    assert draft.criterion.target_lp_mm == pytest.approx(500 / 23.5)
