"""Where optics are impossible a person is told the key of the request that decides it, and what to do."""

from __future__ import annotations

from typing import get_args

import pytest

from stacker.documents.loading import load_request
from stacker.errors import InputError, Refusal
from stacker.optics.impossible import Limit
from stacker.planning.apertures import at_f_number
from stacker.planning.draft import draft_of
from stacker.planning.remedies import remedy_for
from stacker.planning.rig import imaging_of

REST = "camera: {sensor_mm: [24, 16], pixels: [6000, 4000]}\nsubject: {depth_mm: 3}\n"
LENS = "{kind: lens, focal_length_mm: 50, max_magnification: 0.15, f_number: 4"
REVERSED = "{kind: reversed, focal_length_mm: 50, f_number: 4"
MEASURED = "{kind: measured, magnification: 1, f_number: 8"
BELLOWS = "moves: rear\n" + REST
OBJECTIVE = "{kind: objective, magnification: 4, na: 0.1, reference_tube_length_mm: 160, tube_length_mm: "


def request_of(rig: str, rest: str = REST):
    return load_request("x.yaml", text=f"rig: {rig}}}\n{rest}").value


REFUSED = {
    "focus_at_infinity": (
        request_of(LENS + ", focused_at: infinity"),
        "rig.focused_at",
        "this lens, focused at infinity, without tubes and without a close-up lens, has no subject near it: write "
        "focused_at: nearest, or add a tube or a close-up lens",
    ),
    "focus_ring": (
        request_of(LENS + ", focused_at: 0.2"),
        "rig.focused_at",
        "found 0.2; the bare lens focuses from 0 (infinity) to 0.15 (nearest): write a magnification in that range, "
        "nearest or infinity; tubes add the rest",
    ),
    "focus_inside_lens": (
        request_of(LENS + ", tubes_mm: [50], front_offset_mm: 150"),
        "rig",
        # by hand: f (1 + 1/m) = 50 (1 + 1/1.15) mm, less 150
        "the plane of focus lies 56.5 mm inside the lens, where no subject can be: use less extension or a longer lens",
    ),
    "image_distance": (
        request_of(REVERSED + ", image_distance_mm: 50"),
        "rig.image_distance_mm",
        "found 50 mm; a lens of 50 mm forms an image only beyond its focal length: measure from the sensor to the "
        "principal plane, or add tubes",
    ),
    "tube_length": (
        request_of(OBJECTIVE + "32"),
        "rig.tube_length_mm",
        "found 32 mm; a 4x objective for 160 mm forms an image only with a tube longer than 32 mm: use a longer tube",
    ),
    "better_than_perfect": (
        request_of(MEASURED, REST + "focus: {lens_mtf50_lp_mm: 400}\n"),
        "focus.lens_mtf50_lp_mm",
        # by hand: 2/pi (acos s - s sqrt(1 - s^2)) sinc(0.1736) = 0.5257 x 0.951 at s = 43.41/113.6
        "found 400 lp/mm; at f/16 effective and 4 um pixels a perfect lens gives contrast 0.5 at 43.41 lp/mm: "
        "measure on the sensor, unsharpened, at this aperture",
    ),
    "no_detail_left": (
        request_of(
            "{kind: measured, magnification: 1, f_number: 0.35", REST + "focus: {model: blur_circle, circle_um: 999}\n"
        ),
        "focus",
        # by hand: half of the step, 0.7 of 2 N_e c/m^2, is 489.5 um; NA = 1/(4 N) = 0.714, W20 = dz (1 - 0.7)
        "the seam would be 267 waves out of focus, where no detail is left: take a smaller step or circle of confusion",
    ),
    "lens_unknown": (
        request_of(MEASURED, BELLOWS),
        "moves",
        "a moving rear standard needs a lens of known focal length: describe the rig with the kind lens or reversed, "
        "or move the camera or the subject",
    ),
}


@pytest.mark.parametrize(("request_", "key", "message"), REFUSED.values(), ids=REFUSED)
def test_impossible_optics_are_told_with_key_and_remedy(request_, key, message):
    with pytest.raises(Refusal) as refused:
        draft_of(request_)
    assert (str(refused.value), refused.value.key) == (message, key)


WIDE = "the numerical aperture on the subject is {na}; it stays below the refractive index there, 1: {remedy}"


@pytest.mark.parametrize(
    ("rig", "na", "key"),
    [  # derived: m/(2 N (1 + m)), and m/(2 N_e)
        ("{kind: measured, magnification: 20, f_number: 0.4", "1.19", "rig.f_number"),
        ("{kind: measured, magnification: 20, effective_f_number: 8.4", "1.19", "rig.effective_f_number"),
        (
            "{kind: coupled, rear_focal_length_mm: 200, rear_f_number: 0.5, front_focal_length_mm: 50, "
            "front_f_number: 0.45",
            "1.111",
            "rig.front_f_number",
        ),
        ("{kind: objective, magnification: 50, na: 1.1, reference_mm: 190, tube_lens_mm: 190", "1.1", "rig.na"),
    ],
)
def test_an_aperture_above_the_index_is_told_by_what_sets_it(rig, na, key):
    remedy = "check aperture and magnification"
    if key == "rig.na":  # no other rig has such a key
        remedy += ", or give rig.immersion_index for an immersion objective"
    with pytest.raises(Refusal) as refused:
        imaging_of(request_of(rig))
    assert (str(refused.value), refused.value.key) == (WIDE.format(na=na, remedy=remedy), key)


def test_every_limit_of_the_optics_has_its_remedy():
    rig = request_of(MEASURED).rig
    assert all(all(remedy_for(limit, rig)) for limit in get_args(Limit))


def test_other_f_numbers_of_a_lens_measured_too_well_are_told_alike():
    request = request_of(MEASURED, REST + "focus: {lens_mtf50_lp_mm: 400}\n")
    with pytest.raises(Refusal) as refused:
        at_f_number(request, 11)
    assert refused.value.key == "focus.lens_mtf50_lp_mm"


def test_a_distance_to_the_sensor_with_a_converter_between_is_no_image_distance():
    with pytest.raises(InputError) as refused:
        request_of(REVERSED + ", image_distance_mm: 100, converter: 2")
    (fault,) = refused.value.faults
    assert fault.key == "rig.image_distance_mm"
    assert "does not give the magnification; photograph a ruler and write field_width_mm instead" in fault.text
