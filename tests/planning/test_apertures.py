"""The f-number that grants a wish, against a search of every hundredth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import groupby

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Camera, Focus, Light, Request, Subject
from stacker.documents.rigs import MeasuredRig, ObjectiveRig
from stacker.errors import Refusal
from stacker.planning.apertures import MARKS, ApertureRow, Wish, aperture_row, aperture_rows, at_f_number, best_aperture
from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of

REQUEST = Request(
    rig=MeasuredRig(magnification=1.5, f_number=4),
    camera=Camera(sensor_mm=(23.6, 15.7), pixels=(6000, 4000), raw_mb=26, write_mb_s=75, buffer_frames=10),
    light=Light(kind="continuous", exposure_s=0.5),
    subject=Subject(depth_mm=2),
    rail=RailProfile(
        travel_mm=80,
        soft_limits_mm=(2, 78),
        full_steps_per_turn=200,
        microsteps_per_full_step=16,
        lead_mm=1,
        speed_mm_s=3,
        acceleration_mm_s2=15,
        backlash_um=12,
        settle_s=0.5,
    ),
)


@cache
def hundredths() -> list[ApertureRow]:
    """A row for every fourth hundredth of an f-number."""
    return [aperture_row(REQUEST, hundredth / 100) for hundredth in range(140, 3201, 4)]


def grants(wish: Wish, row: ApertureRow) -> bool:
    """The wish in words: a stack, no more frames, no more minutes, and the detail."""
    if row.refused is not None:
        return False
    has, most = (row.frames, row.duration_s / 60, row.finest_detail_um), (wish.frames, wish.minutes, wish.detail_um)
    return all(limit is None or value <= limit for value, limit in zip(has, most, strict=True))


def by_search(wish: Wish):
    """The best of many rows, straight from the definition of the wish.

    With a time to keep, only ranges wider than a quarter of a stop count: a frame more or less makes the time jump
    up and down, and what is narrower than the scan may stay unseen.
    """
    runs = [list(run) for granted, run in groupby(hundredths(), lambda row: grants(wish, row)) if granted]
    narrowest = 1.0 if wish.minutes is None else 2**0.125
    granting = [row for run in runs for row in run if run[-1].f_number >= narrowest * run[0].f_number]
    if not granting:
        return None
    if wish.detail_um is not None:
        return min(granting, key=lambda row: (row.frames, -row.f_number))
    finest = min(row.finest_detail_um for row in granting)
    return max((row for row in granting if row.finest_detail_um <= finest * (1 + 1e-9)), key=lambda row: row.f_number)


wishes = st.builds(
    Wish,
    detail_um=st.none() | st.floats(4, 40),
    frames=st.none() | st.integers(3, 300),
    minutes=st.none() | st.floats(0.3, 20),
)


@settings(max_examples=80)
@given(wishes)
def test_the_best_f_number_is_that_of_a_search_through_all(wish):
    assume(wish != Wish())
    found, wanted = best_aperture(REQUEST, wish), by_search(wish)
    if wanted is None:
        # what only a hundredth between those searched would grant is rare, and then it really grants it
        assert found is None or grants(wish, found)
        return
    assert found is not None
    assert grants(wish, found)
    if wish.detail_um is not None:
        assert (found.frames, -found.f_number) <= (wanted.frames, -wanted.f_number)
    else:
        assert found.finest_detail_um <= wanted.finest_detail_um * (1 + 1e-9)
    if wish.minutes is None:  # the f-numbers searched are 0.04 apart
        assert found.f_number == pytest.approx(wanted.f_number, abs=0.0401)


def test_between_two_marks_there_are_fewer_frames_than_at_the_mark_that_still_resolves():
    best = best_aperture(REQUEST, Wish(detail_um=6.0))
    # 0.61 lam/NA = 0.61 * 0.55 * 2 N (1 + m)/m = 6 um at N = 5.365 for m = 1.5
    assert best.f_number == 5.36
    at_mark = max(row.frames for row in aperture_rows(REQUEST) if row.f_number == 4.0)
    assert best.frames < at_mark


def test_of_equal_detail_the_larger_f_number_wins_as_far_as_pixels_rule():
    # two pixels are 5.244 um on the subject, which Rayleigh's limit reaches at N = 4.69
    best = best_aperture(REQUEST, Wish(frames=10_000))
    assert best.f_number == 4.68
    assert best.finest_detail_um == pytest.approx(2 * 23.6 / 6 / 1.5)


def test_a_tight_budget_costs_detail_and_an_impossible_one_gives_nothing():
    few = best_aperture(REQUEST, Wish(frames=15))
    assert few.frames <= 15
    assert few.finest_detail_um > 5.25
    assert aperture_row(REQUEST, few.f_number - 0.01).frames > 15
    assert best_aperture(REQUEST, Wish(frames=1)) is None
    assert best_aperture(REQUEST, Wish(detail_um=1.0)) is None


def test_the_request_s_own_f_number_extends_the_ring():
    closed = replace(REQUEST, rig=replace(REQUEST.rig, f_number=45.0))
    assert best_aperture(closed, Wish(detail_um=1000.0)).f_number == 45
    assert best_aperture(REQUEST, Wish(detail_um=1000.0)).f_number == MARKS[-1]


def test_a_lens_that_opens_wider_than_the_marks_is_searched_there_too():
    # 0.61 lam/NA = 0.61 * 0.55 * 2 N (1 + m)/m = 1.3 um at N = 1.162 for m = 1.5; pixels are no limit here
    fine = replace(REQUEST, camera=replace(REQUEST.camera, pixels=(60_000, 40_000)), subject=Subject(depth_mm=0.05))
    assert best_aperture(fine, Wish(detail_um=1.3)) is None
    wide_open = replace(fine, rig=replace(fine.rig, f_number=1.0))
    assert best_aperture(wide_open, Wish(detail_um=1.3)).f_number == 1.16


def test_a_row_tells_where_diffraction_shows():
    # 2.43934 lam N (1 + m) is three pixels of 23.6/6 um wide at N = 3.518
    assert [aperture_row(REQUEST, f_number).diffraction for f_number in (3.5, 3.53)] == [False, True]


def test_a_lamp_is_metered_anew_and_a_flash_is_not():
    assert aperture_row(REQUEST, 8.0).exposure_s == pytest.approx(0.5 * 4)
    assert aperture_row(REQUEST, 12.0).exposure_s == pytest.approx(0.5 * 9)
    flash = replace(REQUEST, light=Light(kind="flash", exposure_s=0.005))
    assert aperture_row(flash, 8.0).exposure_s == 0.005


def test_a_narrow_range_between_too_many_frames_and_too_long_exposures_is_found():
    # a search of every hundredth: what six frames and so many minutes leave is far narrower than a quarter of a stop
    rows = [aperture_row(REQUEST, hundredth / 100) for hundredth in range(1300, 1420)]
    first = next(place for place, row in enumerate(rows) if row.frames == 6)
    wish = Wish(frames=6, minutes=rows[first + 5].duration_s / 60)
    assert [row for row in rows if grants(wish, row)] == rows[first : first + 6]
    assert best_aperture(REQUEST, wish) == rows[first]


def test_minutes_of_an_unknown_time_are_refused():
    with pytest.raises(Refusal, match="time of this stack is not known") as refused:
        best_aperture(replace(REQUEST, light=None), Wish(minutes=5))
    assert refused.value.key == "light"


def test_an_objective_has_no_ring_to_turn():
    rig = ObjectiveRig(magnification=4, na=0.1, reference_mm=200, tube_lens_mm=200)
    with pytest.raises(Refusal, match="no ring to turn"):
        best_aperture(replace(REQUEST, rig=rig), Wish(frames=100))


def test_f_numbers_that_are_refused_are_passed_over():
    # one division of this dial is 100 um: no step at all with the lens open
    coarse = replace(REQUEST.rail, microsteps_per_full_step=1, full_steps_per_turn=10)
    request = replace(REQUEST, rail=coarse)
    assert aperture_row(request, 1.4).refused is not None
    assert best_aperture(request, Wish(detail_um=6.0)).f_number == 5.36
    within = best_aperture(request, Wish(frames=1000))
    assert within.f_number > 4.68
    assert aperture_row(request, within.f_number - 0.01).refused is not None


def test_a_measured_blur_goes_along_to_other_f_numbers():
    real = replace(REQUEST, focus=Focus(lens_mtf50_lp_mm=40))
    here, there = (draft_of(at_f_number(real, f_number)).criterion for f_number in (4.0, 8.0))
    assert there.lens_falloff_mm2 == pytest.approx(here.lens_falloff_mm2, rel=1e-9)
    # its own blur added to that of a smaller aperture: less than was measured
    assert there.focus.lens_mtf50_lp_mm < 40
    # thicker slices than a perfect lens gives, where diffraction does not rule alone
    assert aperture_row(real, 4.0).slice_um > 1.05 * aperture_row(REQUEST, 4.0).slice_um
    assert all(row.refused is None for row in aperture_rows(real))


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_a_row_says_the_same_as_the_plan_of_its_f_number(order):
    request = replace(REQUEST, order=order, subject=Subject(depth_mm=6))
    row, plan = aperture_row(request, 8.0), plan_of(at_f_number(request, 8.0), {})
    assert row.frames == plan.coverage.frame_count
    assert row.duration_s == pytest.approx(plan.budget.duration_s, rel=1e-5)  # the plan keeps six digits
