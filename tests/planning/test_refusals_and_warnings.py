"""What the planner refuses, and what it warns of: each at its threshold, from both sides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus
from stacker.documents.light import Light
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig, MeasuredRig, ObjectiveRig
from stacker.documents.subject import Subject
from stacker.errors import Refusal
from stacker.planning.planner import plan_of

CAMERA = Camera(sensor_mm=(23.5, 15.7), pixels=(6000, 4000), shutter="mechanical")
RAIL = RailProfile(
    travel_mm=80,
    soft_limits_mm=(2, 78),
    full_steps_per_turn=200,
    microsteps_per_full_step=16,
    lead_mm=2,
    speed_mm_s=3,
    acceleration_mm_s2=15,
    backlash_um=16,
    repeatability_um=1,
)
BASE = Request(
    rig=MeasuredRig(magnification=0.9, f_number=4, working_distance_mm=60),
    camera=CAMERA,
    light=Light(kind="continuous", exposure_s=2),
    subject=Subject(depth_mm=3),
    rail=RAIL,
)


def changed(**blocks) -> Request:
    return replace(BASE, **blocks)


def codes(request: Request) -> set[str]:
    return {warning.code for warning in plan_of(request, {}).warnings}


def test_a_plain_stack_has_no_warning():
    assert codes(BASE) == set()


LENS = LensRig(focal_length_mm=50, max_magnification=0.15, f_number=4, working_distance_mm=60)

REFUSED = {
    "tubes behind a converter": (
        changed(rig=replace(LENS, converter=1.4, tubes_behind_converter_mm=(12.0,))),
        "rig.tubes_behind_converter_mm",
        "between lens and converter",
    ),
    "a lens that cannot focus on anything near": (
        changed(rig=replace(LENS, focused_at="infinity")),
        "rig",
        "tubes",
    ),
    "a ring set past its nearest mark": (changed(rig=replace(LENS, focused_at=0.3)), "rig.focused_at", "0.15"),
    "a collision": (
        changed(rig=replace(BASE.rig, working_distance_mm=4.0)),
        "subject.depth_mm",
        "keep_clear_mm",
    ),
    "soft limits, front known": (
        changed(subject=Subject(depth_mm=3, front_at_mm=76)),
        "subject.front_at_mm",
        "between 2.",
    ),
    "soft limits, front unknown": (
        changed(subject=Subject(depth_mm=75.9), rig=replace(BASE.rig, working_distance_mm=None)),
        "rail.soft_limits_mm",
        "76 mm",
    ),
    "a step under one microstep": (
        changed(
            rig=ObjectiveRig(magnification=50, na=0.52, reference_mm=190, tube_lens_mm=190),
            rail=replace(RAIL, microsteps_per_full_step=1),
            subject=Subject(depth_mm=0.1),
        ),
        "rail",
        "under one microstep",
    ),
    "a moving rear without a focal length": (changed(moves="rear"), "moves", "kind lens"),
    "an aperture above the index": (
        changed(rig=ObjectiveRig(magnification=50, na=1.1, reference_mm=190, tube_lens_mm=190)),
        "rig.na",
        "index",
    ),
    "a card smaller than a file": (
        changed(camera=replace(CAMERA, raw_mb=2000, card_gb=1)),
        "camera.card_gb",
        "does not fit",
    ),
    "an endless blur circle": (
        changed(
            rig=LensRig(focal_length_mm=28, max_magnification=0.02, f_number=22, working_distance_mm=500),
            focus=Focus(model="blur_circle", circle_um=200),
        ),
        "focus.model",
        "infinity",
    ),
}


@pytest.mark.parametrize(("request_", "key", "word"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_or_must_not_be_shot_is_refused_with_the_key_and_the_remedy(request_, key, word):
    with pytest.raises(Refusal) as refused:
        plan_of(request_, {})
    assert (refused.value.key or "").startswith(key)
    assert word in str(refused.value)


def test_collision_counts_the_overshoot_of_the_take_up():
    # back to front, the first move overshoots the deepest plane by the take-up: 16 um and a quarter, 20 um
    request = changed(order="back_to_front", subject=Subject(depth_mm=3, keep_clear_mm=1))
    deepest_mm = plan_of(request, {}).coverage.first_focus_um / 1000
    fits = replace(BASE.rig, working_distance_mm=deepest_mm + 0.02 + 1.0001)
    plan_of(replace(request, rig=fits), {})
    with pytest.raises(Refusal, match="keep_clear_mm"):
        plan_of(replace(request, rig=replace(fits, working_distance_mm=deepest_mm + 0.02 + 0.9999)), {})


def test_soft_limits_count_the_overshoot_of_the_take_up():
    # front to back, the rail goes back behind the first frame by the take-up before it advances
    first_mm = -plan_of(BASE, {}).coverage.first_focus_um / 1000
    plan_of(changed(subject=Subject(depth_mm=3, front_at_mm=2 + first_mm + 0.02 + 0.0001)), {})
    with pytest.raises(Refusal, match="soft limits"):
        plan_of(changed(subject=Subject(depth_mm=3, front_at_mm=2 + first_mm + 0.02 - 0.0001)), {})


SMALL_APERTURE = replace(BASE.rig, f_number=16)
OBJECTIVE = ObjectiveRig(magnification=20, na=0.5, reference_mm=190, tube_lens_mm=190, working_distance_mm=5)
WARNED = {
    "field_too_small": (
        changed(subject=Subject(depth_mm=3, width_mm=27)),
        changed(subject=Subject(depth_mm=3, width_mm=26)),
    ),
    "diffraction": (changed(rig=SMALL_APERTURE), changed(rig=replace(BASE.rig, f_number=4))),
    "shutter_shock": (
        changed(light=Light(kind="continuous", exposure_s=1 / 54)),  # 1/60 s at life size, over 0.9
        changed(light=Light(kind="continuous", exposure_s=1 / 54.1)),
    ),
    "flash_sync": (
        changed(light=Light(kind="flash", exposure_s=1 / 2000)),
        changed(light=Light(kind="flash", exposure_s=1 / 250)),
    ),
    "card_change": (
        # by hand: 100 files of 30 MB are 3 GB
        changed(camera=replace(CAMERA, raw_mb=30, card_gb=0.5)),
        changed(camera=replace(CAMERA, raw_mb=30, card_gb=5)),
    ),
    "flash_charge": (
        changed(light=Light(kind="flash", exposure_s=0.01, flashes_a_charge=20)),
        changed(light=Light(kind="flash", exposure_s=0.01, flashes_a_charge=2000)),
    ),
    "repeatability_unknown": (changed(rail=replace(RAIL, repeatability_um=None)), BASE),
    "flash_electronic": (
        changed(light=Light(kind="flash", exposure_s=0.01), camera=replace(CAMERA, shutter="electronic")),
        changed(light=Light(kind="flash", exposure_s=0.01), camera=replace(CAMERA, shutter="electronic_first_curtain")),
    ),
    "light_stays": (
        changed(moves="subject"),
        changed(moves="subject", light=Light(kind="continuous", exposure_s=2, moves_with_subject=True)),
    ),
    "coarse_microsteps": (
        changed(rail=replace(RAIL, min_step_microsteps=1000)),
        changed(rail=replace(RAIL, min_step_microsteps=4)),
    ),
    "working_distance_unknown": (
        changed(rig=replace(BASE.rig, magnification=1.1, working_distance_mm=None)),
        changed(rig=replace(BASE.rig, magnification=1.0, working_distance_mm=None)),
    ),
    "other_model": (changed(focus=Focus(model="sum")), changed(focus=Focus(model="quarter_wave"))),
    "gap_risk": (changed(rail=replace(RAIL, repeatability_um=20)), changed(rail=replace(RAIL, repeatability_um=1))),
    "high_na": (
        changed(rig=replace(OBJECTIVE, na=0.52), rail=None),
        changed(rig=OBJECTIVE, rail=None),
    ),
}


CLOSE_LENS = LensRig(  # common practice, no source: what such a lens reaches
    focal_length_mm=50, max_magnification=0.15, minimum_focus_mm=450, f_number=4, working_distance_mm=300
)
RESIN = Subject(depth_mm=1.9, index=1.54)
NA_028 = replace(OBJECTIVE, na=0.28, working_distance_mm=20)
FINITE = ObjectiveRig(
    magnification=40, na=0.65, tube_length_mm=160, reference_tube_length_mm=160, working_distance_mm=5
)
FINE = replace(RAIL, lead_mm=0.1, backlash_um=1, repeatability_um=0.02)
SHALLOW = Subject(depth_mm=0.05)
# Two sides of each thing that one code covers.
CONTRADICTIONS = {
    "focal length": (
        changed(rig=replace(CLOSE_LENS, focal_length_mm=5)),
        changed(rig=CLOSE_LENS),
        "reaches 0.15x at minimum_focus_mm 450 has about 51 mm",  # 450 * 0.15/1.15^2
    ),
    "focal length too long": (
        changed(rig=replace(CLOSE_LENS, focal_length_mm=500)),
        changed(rig=replace(CLOSE_LENS, focal_length_mm=120)),
        "has about 51 mm",
    ),
    "pixels in mm": (
        changed(camera=replace(CAMERA, sensor_mm=(24, 16), pixels=(24, 16)), subject=Subject(depth_mm=30)),
        changed(camera=replace(CAMERA, sensor_mm=(24, 16), pixels=(900, 600)), subject=Subject(depth_mm=30)),
        "about 6000 columns on a sensor 24 mm wide",
    ),
    "backlash in mm": (
        changed(rail=replace(RAIL, backlash_um=0.04)),
        changed(rail=replace(RAIL, backlash_um=0)),
        "if that is in mm, write 40",
    ),
    "flash": (
        changed(light=Light(kind="flash", exposure_s=200)),
        changed(light=Light(kind="flash", exposure_s=1)),
        "if 1/200 s is meant, write 0.005",
    ),
}
# W040 = t NA^4 (n^2 - 1)/(8 n^3) in waves of 550 nm, by hand.
ABERRATIONS = {
    # 1900 um at NA 0.28, 1.54: 1.0; a quarter of it at 470 um
    "resin": (
        changed(rig=NA_028, rail=None, subject=RESIN),
        changed(rig=NA_028, rail=None, subject=replace(RESIN, depth_mm=0.45)),
        "the back lies 1.9 mm behind the face, in index 1.54: 1 wave of",
    ),
    "resin over the front": (
        changed(rig=NA_028, rail=None, subject=replace(RESIN, depth_mm=0.45, below_face_mm=0.05)),
        changed(rig=NA_028, rail=None, subject=replace(RESIN, depth_mm=0.45)),
        "the back lies 0.5 mm behind the face",
    ),
    # 170 um at NA 0.42, 1.52: 0.45
    "cover glass": (
        changed(rig=replace(OBJECTIVE, na=0.42, cover_glass_mm=0.17), rail=None, subject=SHALLOW),
        changed(
            rig=replace(OBJECTIVE, na=0.42, cover_glass_mm=0.17),
            rail=None,
            subject=replace(SHALLOW, cover_glass_mm=0.17),
        ),
        "0 mm of cover glass where the lens is made for 0.17 mm: 0.45 waves",
    ),
    "cover glass on a dry mount": (
        changed(rig=replace(OBJECTIVE, na=0.42), rail=None, subject=replace(SHALLOW, cover_glass_mm=0.17)),
        changed(rig=replace(OBJECTIVE, na=0.35), rail=None, subject=replace(SHALLOW, cover_glass_mm=0.17)),
        "take the glass off",
    ),
    # f = 160/41 = 3.9024 mm, m = 34.875 on 140 mm: 3.9024 (1/34.875 - 1/40) = 14.3 um, times 0.65^4/8: 0.58 waves
    "tube length": (
        changed(rig=replace(FINITE, tube_length_mm=140), rail=FINE, subject=SHALLOW),
        changed(rig=FINITE, rail=FINE, subject=SHALLOW),
        "a tube of 140 mm where the objective is made for 160 mm: 0.58 waves",
    ),
}


@pytest.mark.parametrize(
    ("code", "over", "under", "told"),
    [
        *(pytest.param("contradiction", *case, id=name) for name, case in CONTRADICTIONS.items()),
        *(pytest.param("spherical_aberration", *case, id=name) for name, case in ABERRATIONS.items()),
    ],
)
def test_each_slip_and_each_aberration_is_told_with_what_would_fit(code, over, under, told):
    texts = [warning.text for warning in plan_of(over, {}).warnings if warning.code == code]
    assert len(texts) == 1
    assert told in texts[0]
    assert code not in codes(under)


def test_the_shock_of_a_shutter_shows_over_a_wider_range_the_more_is_magnified():
    def shocked(magnification, exposure_s):
        rig = replace(BASE.rig, magnification=magnification, working_distance_mm=None)
        light = Light(kind="continuous", exposure_s=exposure_s)
        return "shutter_shock" in codes(changed(rig=rig, rail=None, light=light, subject=Subject(depth_mm=0.5)))

    # 1/60 to 1 s at life size; by hand: over m and times 1 + ln m, 2.609 at 5x and 0.307 at 0.5x
    assert [shocked(1, time_s) for time_s in (1 / 61, 1 / 60, 1.0, 1.01)] == [False, True, True, False]
    assert [shocked(5, time_s) for time_s in (1 / 301, 1 / 299, 2.6, 2.62)] == [False, True, True, False]
    assert [shocked(0.5, time_s) for time_s in (1 / 31, 1 / 29, 0.305, 0.31)] == [False, True, True, False]


def test_at_a_small_scale_no_shock_shows():
    rig = replace(BASE.rig, magnification=0.2, working_distance_mm=None)
    for exposure_s in (0.01, 0.083, 0.1, 0.2, 1.0):  # 1/(60 * 0.2) is 0.083, and 1 + ln 0.2 less than nothing
        light = Light(kind="continuous", exposure_s=exposure_s)
        assert "shutter_shock" not in codes(changed(rig=rig, light=light))


def test_the_shock_is_that_of_the_exposure_at_this_f_number():
    # metered 1/100 s at f/2, three stops down 0.08 s
    lamp = Light(kind="continuous", exposure_s=0.01, at_f_number=2)
    assert "shutter_shock" in codes(changed(light=lamp, rig=replace(BASE.rig, f_number=5.6)))
    assert "shutter_shock" not in codes(changed(light=lamp, rig=replace(BASE.rig, f_number=2)))


@pytest.mark.parametrize(("code", "cases"), WARNED.items(), ids=WARNED.keys())
def test_a_warning_comes_past_its_threshold_and_not_before(code, cases):
    over, under = cases
    assert code in codes(over)
    assert code not in codes(under)


def test_diffraction_is_no_warning_where_the_pixels_are_coarser():
    # the same small aperture on pixels so coarse that a wider one would show nothing more
    coarse = replace(CAMERA, pixels=(600, 400))
    assert "diffraction" not in codes(changed(rig=SMALL_APERTURE, camera=coarse))


def test_diffraction_is_no_warning_where_the_measured_lens_is_the_coarser():
    # f/30 effective: a perfect lens has contrast 0.5 at 24 lp/mm, so diffraction limits one that measures 20
    assert "diffraction" in codes(changed(rig=SMALL_APERTURE, focus=Focus(lens_mtf50_lp_mm=20)))
    assert "diffraction" not in codes(changed(rig=SMALL_APERTURE, focus=Focus(lens_mtf50_lp_mm=1)))


def test_gap_risk_names_the_overlap_that_helps_and_that_overlap_does():
    request = changed(rail=replace(RAIL, repeatability_um=15))
    text = next(warning.text for warning in plan_of(request, {}).warnings if warning.code == "gap_risk")
    overlap = float(text.partition("focus.overlap: ")[2].split()[0])
    better = plan_of(replace(request, focus=Focus(overlap=overlap)), {})
    assert better.coverage.gap_risk <= 0.001
    worse = plan_of(replace(request, focus=Focus(overlap=round(overlap - 0.01, 2))), {})
    assert worse.coverage.gap_risk > 0.001


def test_gap_risk_advises_a_better_rail_where_no_overlap_helps():
    text = next(
        w.text for w in plan_of(changed(rail=replace(RAIL, repeatability_um=90)), {}).warnings if w.code == "gap_risk"
    )
    assert "rail that repeats better" in text


def gap_text(**values):
    request = changed(**values)
    return next(warning.text for warning in plan_of(request, {}).warnings if warning.code == "gap_risk")


def test_gap_risk_names_the_screw_where_its_error_counts():
    scatter_alone = gap_text(rail=replace(RAIL, repeatability_um=15, microstep_error=0))
    assert "from the rail's scatter (15 um); " in scatter_alone
    both = gap_text(rail=replace(RAIL, repeatability_um=5, periodic_error_um=90))
    # by hand: a full step is 10 um, 0.05 of it over sqrt(3) 0.289 um
    assert "from the rail's scatter (5.01 um, the motor's steps counted in) and the periodic error" in both
    assert " of its screw (90 um); " in both
    hopeless = gap_text(rail=replace(RAIL, repeatability_um=1, periodic_error_um=900))
    assert hopeless.startswith("some seam will fall short almost surely, ")
    assert hopeless.endswith("use a rail that repeats better or has a truer screw")


def test_gap_risk_of_a_seam_contrast_says_what_the_overlap_replaces():
    seams = Focus(seam_contrast=0.85)
    text = gap_text(focus=seams, rail=replace(RAIL, repeatability_um=15))
    assert " instead of seam_contrast brings it down to 0.001" in text


def test_tubes_alone_give_the_marked_estimate_too():
    lens = LensRig(
        focal_length_mm=50,
        max_magnification=0.15,
        minimum_focus_mm=300,
        f_number=4,
        tubes_mm=(36.0,),
        working_distance_mm=60,
    )
    plan = plan_of(changed(rig=lens), {})
    # 300 mm * 0.15 / 1.15^2 = 34.0 mm: the lens is much shorter there than marked
    assert plan.optics.magnification == pytest.approx(0.15 + 36 / 34.026, abs=1e-3)
    assert "0.87x" in plan.advice[0].text  # 0.15 + 36/50


@pytest.mark.parametrize(
    ("rail", "focus", "chance", "remedy"),
    [
        ({"repeatability_um": 12}, {}, "with probability 0.", "focus.overlap: 0.52 brings it down to 0.001"),
        ({"repeatability_um": 12}, {"seam_contrast": 0.85}, "with probability 0.", " instead of seam_contrast brings"),
        ({"repeatability_um": 60}, {}, "almost surely", "use a rail that repeats better"),
        ({"repeatability_um": 60, "periodic_error_um": 40}, {}, "almost surely", "repeats better or has a truer screw"),
    ],
)
def test_a_gap_is_told_with_how_likely_it_is_and_with_what_helps(rail, focus, chance, remedy):
    request = changed(rail=replace(RAIL, **rail), focus=Focus(**focus))
    (text,) = (warning.text for warning in plan_of(request, {}).warnings)
    assert f"some seam will fall short {chance}" in text
    assert remedy in text
    assert text.endswith(remedy) or "brings" in remedy


def test_the_field_is_that_of_all_frames_scaled_alike():
    # by hand: u = f (1/m + 1) = 383.3 mm from the entrance pupil; the frames of 30 mm and more keep under
    # 383.3/413.3 of the 156.7 mm that the nearest one shows, 145 mm
    rig = replace(LENS, working_distance_mm=None)
    assert codes(changed(rig=rig, rail=None, subject=Subject(depth_mm=30, width_mm=146))) == {"field_too_small"}
    assert codes(changed(rig=rig, rail=None, subject=Subject(depth_mm=0.1, width_mm=146))) == set()


def test_what_opening_up_would_resolve_is_told():
    # by hand: at the limit the Airy disk is six pixels of 23.5/6 um wide, 23.5 um, so that lam N_e is 23.5/2.43934 =
    # 9.634 um; contrast 0.3 with the pixel at 58.09 lp/mm, since mtf(0.5596) sinc(0.2275) = 0.327 * 0.917: 19.13 um
    request = changed(rig=SMALL_APERTURE, focus=Focus(airy_pixels=6))
    (warning,) = (warning for warning in plan_of(request, {}).warnings if warning.code == "diffraction")
    assert warning.text.endswith("open up towards f/9.2, if the lens opens so far, where it is 19.1 um")


def diffraction_text(**blocks):
    return [warned.text for warned in plan_of(changed(**blocks), {}).warnings if warned.code == "diffraction"]


def test_nobody_is_told_to_open_a_lens_wider_than_it_goes():
    (text,) = diffraction_text(rig=replace(SMALL_APERTURE, widest_f_number=11))
    assert "open up towards f/11, where" in text
    assert diffraction_text(rig=replace(SMALL_APERTURE, widest_f_number=16)) == []


def test_diffraction_is_judged_by_the_picture_to_be_delivered():
    # by hand: 600 columns of 39.2 um make an Airy disk of 117.5 um where it shows, f/46
    assert diffraction_text(rig=SMALL_APERTURE, focus=Focus(output_pixels=6000))
    assert diffraction_text(rig=SMALL_APERTURE, focus=Focus(output_pixels=600)) == []
    plan = plan_of(changed(rig=SMALL_APERTURE, focus=Focus(output_pixels=600)), {})
    assert plan.optics.diffraction_f_number == pytest.approx(117.5 / 2.43934 / 0.55 / 1.9, rel=1e-3)


def test_a_depth_of_field_without_end_is_not_a_number():
    # k = N_e c/(m f) > 1 for a circle of 200 um: sharp to infinity by that model, which does not drive the plan
    rig = LensRig(focal_length_mm=28, max_magnification=0.02, f_number=22)
    plan = plan_of(changed(rig=rig, rail=None, focus=Focus(circle_um=200)), {})
    assert plan.depth_of_field.compared.blur_circle_um is None
    assert plan.depth_of_field.compared.contrast_um > 0
