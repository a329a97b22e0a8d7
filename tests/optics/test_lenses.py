"""Lenses, tubes, close-up lenses, converters and reversed lenses, against handbooks, practice and ray geometry."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from optics.rigs import lens, reversed_lens
from scipy.optimize import brentq

from stacker.optics.depth import blur_circle_depth_um
from stacker.optics.diffraction import diffraction_f_number
from stacker.optics.impossible import Impossible
from stacker.optics.lenses import magnification_from_field, measured

# Numbers of the trade are quoted to about two digits.
TRADE = 0.015


@pytest.mark.parametrize(
    ("focal_length_mm", "bare", "tubes_mm", "reached"),
    [  # common practice, no source
        (50, 0.15, 12, 0.39),
        (50, 0.15, 20, 0.55),
        (50, 0.15, 36, 0.87),
        (50, 0.15, 68, 1.5),
        (24, 0.27, 20, 1.1),
        (105, 0.23, 20, 0.43),
    ],
)
def test_tubes_reach_what_practitioners_report(focal_length_mm, bare, tubes_mm, reached):
    rig = lens(focal_length_mm=focal_length_mm, f_number=4, max_magnification=bare, tubes_mm=tubes_mm)
    assert rig.magnification == pytest.approx(reached, abs=TRADE)
    assert rig.magnification_range == pytest.approx((tubes_mm / focal_length_mm, rig.magnification))


def test_data_sheet_distance_of_a_plain_lens_leaves_the_reported_tubes_alone():
    # common practice, no source: the 50 mm lens of 0.15x focuses to about 0.45 m; a thin 50 mm lens of that
    # magnification needs 0.441 m, so nothing shows that it gets shorter
    rig = lens(focal_length_mm=50, f_number=4, max_magnification=0.15, minimum_focus_mm=450, tubes_mm=68)
    assert rig.magnification == pytest.approx(1.5, abs=TRADE)
    assert rig.magnification_by_marked_focal_length is None
    bare = lens(focal_length_mm=50, f_number=4, max_magnification=0.15)
    subject_to_sensor_mm = 50 * (1 + bare.magnification) * (1 + 1 / bare.magnification)
    assert subject_to_sensor_mm == pytest.approx(450, rel=0.03)  # "about"


@pytest.mark.parametrize(
    ("focal_length_mm", "bare", "opener", "stopper"),
    [(24, 0.27, 4, 5.6), (105, 0.23, 5.6, 8)],  # common practice, no source
)
def test_marked_f_number_past_which_an_aps_c_picture_turns_soft(focal_length_mm, bare, opener, stopper):
    rig = lens(focal_length_mm=focal_length_mm, f_number=8, max_magnification=bare, tubes_mm=20)
    soft_past = diffraction_f_number(
        f_number=8,
        effective_f_number=rig.effective_f_number,
        pixel_pitch_um=23.5e3 / 6000,  # 24 million pixels
        airy_pixels=3,
        wavelength_nm=550,
    )
    assert opener <= soft_past <= stopper


def test_short_lens_ends_up_right_in_front_of_the_subject():
    # common practice, no source; a rim a few cm in front of the principal plane is usual for a short lens
    short = lens(focal_length_mm=24, f_number=4, max_magnification=0.27, tubes_mm=20, front_offset_mm=25)
    long = lens(focal_length_mm=105, f_number=4, max_magnification=0.23, tubes_mm=20, front_offset_mm=25)
    assert 0 < short.working_distance_mm < 25
    assert long.working_distance_mm > 300


def test_sums_understate_what_lenses_with_moving_groups_reach():
    # common practice, no source: a 100 mm lens that reaches life size at 0.3 m is one of 75 mm there
    rig = lens(focal_length_mm=100, f_number=4, max_magnification=1, minimum_focus_mm=300, tubes_mm=25)
    assert rig.focal_length_mm == pytest.approx(75)
    assert rig.magnification == pytest.approx(1 + 25 / 75)
    assert rig.magnification_by_marked_focal_length == pytest.approx(1.25)
    assert rig.magnification_range == pytest.approx((0.25, 1 + 25 / 75))
    with_converter = lens(
        focal_length_mm=100, f_number=4, max_magnification=1, minimum_focus_mm=300, tubes_mm=25, converter=1.4
    )
    assert with_converter.magnification_by_marked_focal_length == pytest.approx(1.4 * 1.25)
    half_way = lens(
        focal_length_mm=100, f_number=4, max_magnification=1, minimum_focus_mm=300, tubes_mm=25, focused_at=0.5
    )
    assert half_way.focal_length_mm == pytest.approx(87.5)
    assert half_way.magnification == pytest.approx(0.5 + 25 / 87.5)


def test_a_data_sheet_at_half_life_size_gives_the_thin_lens_that_fits_it():
    # independent: 300 mm are shared out as 200 and 100 at half life size, and 1/f = 1/200 + 1/100
    close_mm = 1 / (1 / 200 + 1 / 100)
    sheet = {"focal_length_mm": 80, "f_number": 4, "max_magnification": 0.5, "minimum_focus_mm": 300}
    assert lens(**sheet).focal_length_mm == pytest.approx(close_mm)
    assert lens(**sheet, focused_at=0.25, tubes_mm=1).focal_length_mm == pytest.approx((80 + close_mm) / 2)
    # a lens that does not focus by itself keeps its focal length whatever else the sheet says
    fixed = lens(**sheet | {"max_magnification": 0}, tubes_mm=40)
    assert fixed.magnification_range == pytest.approx((0.5, 0.5))


@pytest.mark.parametrize(
    ("f", "n", "c", "m", "p", "u", "n_e", "near", "far", "total", "stops"),
    [  # derived, confirmed by ray search: thick-lens geometry with pupil magnification; all lengths in mm
        (50, 8, 0.03, 0.1, 1, 550, 8.8, 25.190840, 27.731092, 52.921932, 0.275007),
        (100, 5.6, 0.02, 1, 0.5, 300, 16.8, 0.335624, 0.336377, 0.672001, 3.169925),
        (60, 11, 0.015, 0.5, 1.4, 162.857143, 14.928571, 0.890815, 0.900668, 1.791483, 0.881145),
        (28, 4, 0.01, 4, 0.6, 53.666667, 30.666667, 0.019160, 0.019174, 0.038333, 5.877199),
        (105, 4, 0.006, 1.4, 0.7, 225, 12, 0.036729, 0.036741, 0.073469, 3.169925),
    ],
)
def test_pupils_light_loss_and_blur_follow_the_thick_lens(f, n, c, m, p, u, n_e, near, far, total, stops):
    six_decimals = 6e-7  # as printed in the table
    rig = lens(focal_length_mm=f, f_number=n, max_magnification=0, tubes_mm=m * f, pupil_magnification=p)
    assert rig.magnification == pytest.approx(m)
    assert rig.entrance_pupil_mm == pytest.approx(u, abs=six_decimals)
    assert rig.effective_f_number == pytest.approx(n_e, abs=six_decimals)
    assert rig.light_loss_stops == pytest.approx(stops, abs=six_decimals)
    assert rig.object_na == pytest.approx(m / (2 * n_e), rel=1e-7)

    # Independent of the depth formula: where does the cone through the entrance pupil reach the size c/m on the
    # plane of focus?
    def blur(z):
        return rig.entrance_pupil_diameter_mm * abs(z) / (rig.entrance_pupil_mm + z) - c / m

    assert -brentq(blur, -near * 2, -near / 2, xtol=1e-12) == pytest.approx(near, abs=six_decimals)
    assert brentq(blur, far / 2, far * 2, xtol=1e-12) == pytest.approx(far, abs=six_decimals)
    depth_um = blur_circle_depth_um(
        effective_f_number=rig.effective_f_number,
        magnification=rig.magnification,
        circle_um=c * 1e3,
        entrance_pupil_diameter_mm=rig.entrance_pupil_diameter_mm,
    )
    assert depth_um / 1e3 == pytest.approx(total, abs=six_decimals)


def test_exposure_factor_of_a_symmetrical_lens_at_half_life_size():
    # S. F. Ray, Applied Photographic Optics, ch. 22: 2.25
    rig = lens(focal_length_mm=50, f_number=8, max_magnification=0, tubes_mm=25)
    assert 2**rig.light_loss_stops == pytest.approx(2.25)


@pytest.mark.parametrize(
    ("bare", "f", "fc", "gap", "expected"),
    [  # derived; the first row is a textbook case, m = f/fc
        (0, 200, 500, 0, 0.4),
        (0.125, 200, 500, 0, 0.575),
        (0.25, 105, 250, 20, 0.755),
    ],
)
def test_close_up_lens(bare, f, fc, gap, expected):
    rig = lens(
        focal_length_mm=f, f_number=5.6, max_magnification=bare, close_up_dioptres=1000 / fc, close_up_gap_mm=gap
    )
    assert rig.magnification == pytest.approx(expected)
    assert rig.effective_f_number == pytest.approx(5.6 * (1 + bare))  # what lies behind the diaphragm stays


def test_converter_multiplies_magnification_and_f_number_and_keeps_the_subject_side():
    # common practice, no source: .31 x 1.4 = .434
    alone = lens(focal_length_mm=100, f_number=4, max_magnification=0.31, front_offset_mm=30)
    rig = lens(focal_length_mm=100, f_number=4, max_magnification=0.31, front_offset_mm=30, converter=1.4)
    assert rig.magnification == pytest.approx(0.434)
    assert rig.effective_f_number == pytest.approx(1.4 * alone.effective_f_number)
    assert rig.object_na == pytest.approx(alone.object_na)
    assert rig.working_distance_mm == alone.working_distance_mm
    assert rig.entrance_pupil_mm == alone.entrance_pupil_mm
    assert rig.bare_magnification == alone.magnification
    assert rig.light_loss_stops == pytest.approx(alone.light_loss_stops + 2 * math.log2(1.4))


@given(p=st.floats(0.3, 3), n=st.floats(1.4, 16), f=st.floats(15, 200))
def test_reversing_at_life_size_changes_nothing(p, n, f):  # derived
    forward = lens(focal_length_mm=f, f_number=n, max_magnification=0, tubes_mm=f, pupil_magnification=p)
    backward = reversed_lens(focal_length_mm=f, f_number=n, pupil_magnification=p, image_distance_mm=2 * f)
    assert backward.effective_f_number == pytest.approx(forward.effective_f_number)
    assert backward.object_na == pytest.approx(forward.object_na)


def test_reversed_lens_takes_pupil_magnification_upside_down():
    rig = reversed_lens(focal_length_mm=50, f_number=8, pupil_magnification=0.8, image_distance_mm=200, register_mm=44)
    assert rig.magnification == pytest.approx(3)
    assert rig.pupil_magnification == pytest.approx(1.25)
    assert rig.effective_f_number == pytest.approx((8 / 0.8) * (1 + 3 * 0.8))  # (N/P)(1 + m P)
    assert rig.light_loss_stops == pytest.approx(2 * math.log2(1 + 3 * 0.8))
    assert rig.working_distance_mm == pytest.approx(44 + 50 / 3)  # register + f/m, exact for a lens at infinity
    assert not rig.measured


def test_focus_ring_of_a_reversed_lens_moves_the_mount():
    # derived: focused at 0.1 the plain lens is 5 mm farther from its mount, so the mount is 5 mm nearer
    common = {"focal_length_mm": 50, "f_number": 8, "max_magnification": 0.2, "register_mm": 44}
    at_infinity = reversed_lens(**common, image_distance_mm=150)
    closer = reversed_lens(**common, image_distance_mm=150, focused_at=0.1)
    assert at_infinity.working_distance_mm - closer.working_distance_mm == pytest.approx(5)
    # a lens that is not said to focus has no nearest
    del common["max_magnification"]
    nearest = reversed_lens(**common, image_distance_mm=150, focused_at="nearest")
    assert nearest.working_distance_mm == at_infinity.working_distance_mm


def test_photographed_ruler_beats_every_estimate():
    m = magnification_from_field(sensor_width_mm=23.5, field_width_mm=18.8)
    assert m == pytest.approx(1.25)
    rig = lens(
        focal_length_mm=100,
        f_number=4,
        max_magnification=1,
        minimum_focus_mm=300,
        pupil_magnification=0.8,
        converter=1.4,
        measured_magnification=m,
    )
    assert (rig.magnification, rig.measured) == (pytest.approx(1.25), True)
    assert rig.magnification_by_marked_focal_length is None
    assert rig.effective_f_number == pytest.approx(1.4 * 4 * (1 + 1.25 / 1.4 / 0.8))
    backward = reversed_lens(focal_length_mm=50, f_number=8, measured_magnification=m, image_distance_mm=999)
    assert (backward.magnification, backward.measured) == (pytest.approx(1.25), True)
    assert backward.effective_f_number == pytest.approx(8 * (1 + 1.25))  # symmetrical unless told
    behind = reversed_lens(focal_length_mm=50, f_number=8, measured_magnification=m, converter=2)
    assert (behind.magnification, behind.bare_magnification) == pytest.approx((1.25, 0.625))
    by_ruler = measured(magnification=m, f_number=5.6, pupil_magnification=2)
    assert by_ruler.effective_f_number == pytest.approx(5.6 * (1 + 1.25 / 2))
    assert by_ruler.measured
    assert (by_ruler.focal_length_mm, by_ruler.entrance_pupil_mm, by_ruler.working_distance_mm) == (None, None, None)


@pytest.mark.parametrize(
    ("found", "expected"),
    [(1.0, (0.2, 1.2)), (0.1, (0.1, 1.2)), (1.3, (0.2, 1.3))],  # derived: 20 mm of tube give a 100 mm lens 0.2 to 1.2
)
def test_a_ruler_that_disagrees_widens_the_range(found, expected):
    rig = lens(focal_length_mm=100, f_number=4, max_magnification=1, tubes_mm=20, measured_magnification=found)
    assert rig.magnification == pytest.approx(found)
    assert rig.magnification_range == pytest.approx(expected)


def test_measured_working_distance_goes_before_the_derived_one():
    common = {"focal_length_mm": 60, "f_number": 4, "max_magnification": 0.5, "front_offset_mm": 40}
    assert lens(**common).working_distance_mm == pytest.approx(60 * 3 - 40)
    assert lens(**common, working_distance_mm=131).working_distance_mm == 131
    backward = {"focal_length_mm": 50, "f_number": 4, "image_distance_mm": 150, "register_mm": 44}
    assert reversed_lens(**backward, working_distance_mm=60).working_distance_mm == 60
    assert lens(**common | {"front_offset_mm": 179.5}).working_distance_mm == pytest.approx(0.5)
    del common["front_offset_mm"]
    assert lens(**common).working_distance_mm is None


@pytest.mark.parametrize(("dioptres", "pupil"), [(10, -0.5), (5, 0.0)])
def test_strong_close_up_lens_can_send_the_entrance_pupil_to_infinity_and_past_it(dioptres, pupil):
    # derived: in contact P' = P + (P - 1) f/fc, here 0.5 - 0.5 * 200/100 < 0, and 0.5 - 0.5 * 200/200
    rig = lens(
        focal_length_mm=200, f_number=4, max_magnification=0, pupil_magnification=0.5, close_up_dioptres=dioptres
    )
    assert rig.pupil_magnification == pytest.approx(pupil)
    assert (rig.entrance_pupil_mm, rig.entrance_pupil_diameter_mm) == (None, None)


def test_a_gap_without_a_close_up_lens_is_nothing():
    plain = {"focal_length_mm": 50, "f_number": 4, "max_magnification": 1}
    assert lens(**plain, close_up_gap_mm=500) == lens(**plain)


@pytest.mark.parametrize(("build", "given"), [(reversed_lens, "measured_magnification"), (measured, "magnification")])
def test_the_subject_is_in_air_unless_told(build, given):
    # derived: NA = m/(2 N (1 + m)), 0.595 and 1.19 at 20x; the second exists in oil alone
    lengths = {"focal_length_mm": 50} if build is reversed_lens else {}
    assert build(**lengths, f_number=0.8, **{given: 20}).object_na == pytest.approx(20 / (2 * 0.8 * 21))
    with pytest.raises(Impossible, match=r"stays below the refractive index there, 1$"):
        build(**lengths, f_number=0.4, **{given: 20})
    assert build(**lengths, f_number=0.4, **{given: 20}, index=1.515).object_na == pytest.approx(20 / (2 * 0.4 * 21))


# A lens of two thin lenses with the diaphragm between them, so that P is not 1, traced ray by ray. ---------------


def _trace(elements, height, slope):
    """Follow a paraxial ray through ("gap", mm) and ("lens", focal length) elements."""
    for kind, value in elements:
        if kind == "gap":
            height += slope * value
        else:
            slope -= height / value
    return height, slope


FRONT_MM, TO_STOP_MM, FROM_STOP_MM, REAR_MM, STOP_RADIUS_MM = 90.0, 14.0, 22.0, 70.0, 3.0
THICK = [("lens", FRONT_MM), ("gap", TO_STOP_MM), ("gap", FROM_STOP_MM), ("lens", REAR_MM)]


def _cardinal():
    """Focal length, both focal points (from the outer lenses), pupil sizes of the two-lens system."""
    height, slope = _trace(THICK, 1.0, 0.0)
    focal, back_focus = -1 / slope, -height / slope
    height, slope = _trace(THICK[::-1], 1.0, 0.0)
    front_focus = -height / slope
    exit_size = 1 / (1 - FROM_STOP_MM / REAR_MM)
    entrance_size = 1 / (1 - TO_STOP_MM / FRONT_MM)
    return focal, front_focus, back_focus, entrance_size, exit_size


@pytest.mark.parametrize(
    ("bare", "tubes_mm", "dioptres"),
    [(0, 35, 0), (0, 0, 3), (0, 0, 8), (0, 35, 3), (0, 35, 8), (0.2, 0, 0), (0.2, 35, 0), (0.2, 0, 3), (0.2, 35, 8)],
)
@pytest.mark.parametrize("factor", [None, 1.4])
def test_every_combination_agrees_with_a_ray_trace(bare, tubes_mm, dioptres, factor):
    focal, front_focus, back_focus, entrance_size, exit_size = _cardinal()
    to_principal_plane = focal - front_focus  # from the front lens, into the system
    glass_gap = 12.0
    rig = lens(
        focal_length_mm=focal,
        f_number=focal / (2 * STOP_RADIUS_MM * entrance_size),
        max_magnification=bare,
        pupil_magnification=exit_size / entrance_size,
        tubes_mm=tubes_mm,
        close_up_dioptres=dioptres,
        close_up_gap_mm=glass_gap + to_principal_plane,
        converter=factor,
        front_offset_mm=to_principal_plane + (glass_gap if dioptres else 0),
    )
    close_up = [("lens", 1000 / dioptres), ("gap", glass_gap)] if dioptres else []
    behind = [("gap", back_focus + focal * bare + tubes_mm)]
    if factor:
        # a thin negative lens 25 mm before the image moves it to k * 25 mm
        before = 25.0
        converter_focal = 1 / (1 / (factor * before) - 1 / before)
        behind = [("gap", behind[0][1] - before), ("lens", converter_focal), ("gap", factor * before)]
    system = [*close_up, *THICK, *behind]
    # the object lies where rays from one point meet on the sensor again
    height_per_slope = _trace(system, 0.0, 1.0)[0]
    height_per_height = _trace(system, 1.0, 0.0)[0]
    distance = -height_per_slope / height_per_height
    assert rig.working_distance_mm == pytest.approx(distance, rel=1e-9)
    assert rig.magnification == pytest.approx(-height_per_height, rel=1e-9)
    # the marginal ray grazes the edge of the stop
    to_stop = [("gap", distance), *close_up, THICK[0], THICK[1]]
    slope_in = STOP_RADIUS_MM / _trace(to_stop, 0.0, 1.0)[0]
    slope_out = _trace([("gap", distance), *system], 0.0, slope_in)[1]
    assert rig.object_na == pytest.approx(slope_in, rel=1e-9)
    assert rig.effective_f_number == pytest.approx(1 / (2 * abs(slope_out)), rel=1e-9)
    # the chief ray crosses the stop's middle; backwards it points to the entrance pupil
    reverse = [("gap", TO_STOP_MM), ("lens", FRONT_MM), *close_up[::-1]]
    height, slope = _trace(reverse, 0.0, 1.0)
    assert rig.entrance_pupil_mm == pytest.approx(distance + height / slope, rel=1e-9)


@given(
    f=st.floats(15, 300),
    n=st.floats(1.4, 22),
    bare=st.floats(0, 1),
    p=st.floats(0.3, 3),
    tubes=st.floats(1, 300),
    dioptres=st.sampled_from([0.0, 2.0, 5.0]),
    k=st.sampled_from([None, 1.4, 2.0]),
    ring=st.floats(0, 1),
)
def test_what_always_holds_for_a_lens(f, n, bare, p, tubes, dioptres, k, ring):
    common = {
        "focal_length_mm": f,
        "f_number": n,
        "max_magnification": bare,
        "pupil_magnification": p,
        "close_up_dioptres": dioptres,
        "converter": k,
        "focused_at": ring * bare,
    }
    rig = lens(**common, tubes_mm=tubes)
    assert rig.object_na == pytest.approx(rig.magnification / (2 * rig.effective_f_number))
    low, high = rig.magnification_range
    assert low - 1e-12 <= rig.magnification <= high + 1e-12
    assert rig.magnification == pytest.approx(rig.bare_magnification * rig.converter)
    longer = lens(**common, tubes_mm=tubes + 10)
    assert longer.magnification > rig.magnification
    assert longer.effective_f_number > rig.effective_f_number
    if rig.entrance_pupil_mm is not None:
        # the two sides of the same cone of light: NA and N_e from the entrance pupil's place and size
        assert rig.effective_f_number == pytest.approx(
            rig.magnification * rig.entrance_pupil_mm / rig.entrance_pupil_diameter_mm, rel=1e-6
        )


BASE = {"focal_length_mm": 50, "f_number": 4, "max_magnification": 0.15}
REVERSED = {"focal_length_mm": 50, "f_number": 4}


@pytest.mark.parametrize(
    ("build", "values", "limit", "message"),
    [
        (
            lens,
            {**BASE, "focused_at": "infinity"},
            "focus_at_infinity",
            "this lens, focused at infinity, without tubes and without a close-up lens, has no subject near it",
        ),
        (
            lens,
            {**BASE, "focused_at": 0.2},
            "focus_ring",
            "found 0.2; the bare lens focuses from 0 (infinity) to 0.15 (nearest)",
        ),
        (
            lens,
            {**BASE, "focal_length_mm": 24, "tubes_mm": 68, "front_offset_mm": 35},
            "focus_inside_lens",
            "the plane of focus lies 2.96 mm inside the lens, where no subject can be",
        ),
        (
            lens,
            {**BASE, "max_magnification": 1, "front_offset_mm": 100},
            "focus_inside_lens",
            "the plane of focus lies 0 mm inside the lens, where no subject can be",
        ),
        (  # independent: behind the close-up lens the light must aim at the lens's own plane, 200 - 100 mm on; what
            # it comes from lies 1/(1/500 - 1/100) = -125 mm in front of it
            lens,
            {**BASE, "max_magnification": 1, "close_up_dioptres": 2, "close_up_gap_mm": 200},
            "focus_inside_lens",
            "the plane of focus lies 125 mm inside the lens, where no subject can be",
        ),
        (  # derived: 20 + 50/5 - 50 mm from the mount
            reversed_lens,
            {**REVERSED, "image_distance_mm": 300, "register_mm": 20, "max_magnification": 1, "focused_at": "nearest"},
            "focus_inside_lens",
            "the plane of focus lies 20 mm inside the lens, where no subject can be",
        ),
        (
            lens,
            {**BASE, "f_number": 0.3, "tubes_mm": 500},
            "aperture",
            "the numerical aperture on the subject is 1.517; it stays below the refractive index there, 1",
        ),
        (
            reversed_lens,
            {**REVERSED, "image_distance_mm": 50},
            "image_distance",
            "found 50 mm; a lens of 50 mm forms an image only beyond its focal length",
        ),
    ],
)
def test_refuses_what_cannot_be(build, values, limit, message):
    with pytest.raises(Impossible) as refused:
        build(**values)
    assert (refused.value.limit, str(refused.value)) == (limit, message)


def test_a_reversed_lens_needs_something_that_gives_its_magnification():
    with pytest.raises(ValueError, match="needs a measured magnification or image_distance_mm"):
        reversed_lens(**REVERSED)
