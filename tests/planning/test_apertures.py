"""The f-number that meets a goal, against a search of every hundredth."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from functools import cache

import pytest
from examples import examples
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus
from stacker.documents.light import Light
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import MeasuredRig, ObjectiveRig
from stacker.documents.subject import Subject
from stacker.errors import Refusal
from stacker.planning import aperture_search
from stacker.planning.aperture_search import Goal, best_aperture
from stacker.planning.apertures import MARKS, ApertureRow, aperture_row, aperture_rows, at_f_number, set_options
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


def meets(goal: Goal, row: ApertureRow) -> bool:
    """The goal in words: a stack, no more frames, no more minutes, and the detail."""
    if row.refused is not None:
        return False
    has, most = (row.frames, row.duration_s / 60, row.finest_detail_um), (goal.frames, goal.minutes, goal.detail_um)
    return all(limit is None or value <= limit for value, limit in zip(has, most, strict=True))


def by_search(goal: Goal, rows: list[ApertureRow]):
    """The best of many rows, straight from the definition of the goal."""
    granting = [row for row in rows if meets(goal, row)]
    if not granting:
        return None
    if goal.detail_um is not None:
        return min(granting, key=lambda row: (row.frames, -row.f_number))
    finest = min(row.finest_detail_um for row in granting)
    return max((row for row in granting if row.finest_detail_um <= finest * (1 + 1e-9)), key=lambda row: row.f_number)


def resolves_up_to(detail_um: float, pitch_um: float = 23.6 / 6) -> float:
    """The f-number at which a line pair still has contrast 0.3, by the closed form of the MTF, times the pixel's."""
    nu = 1000 / (1.5 * detail_um)

    def contrast(f_number: float) -> float:
        s = min(nu * 0.55e-3 * f_number * 2.5, 1.0)
        x = math.pi * pitch_um * 1e-3 * nu
        return 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s**2)) * math.sin(x) / x

    return float(brentq(lambda f_number: contrast(f_number) - 0.3, 0.1, 50))


goals = st.builds(
    Goal,
    detail_um=st.none() | st.floats(4, 40),
    frames=st.none() | st.integers(3, 300),
    minutes=st.none() | st.floats(0.3, 20),
)


@settings(max_examples=examples(80))
@given(goals)
def test_the_best_f_number_is_that_of_a_search_through_all(goal):
    assume(goal != Goal())
    found, wanted = best_aperture(REQUEST, goal), by_search(goal, hundredths())
    if wanted is None:
        # what only a hundredth between those searched would meet is rare, and then it really meets it
        assert found is None or meets(goal, found)
        return
    assert found is not None
    assert meets(goal, found)
    if goal.detail_um is not None:
        assert (found.frames, -found.f_number) <= (wanted.frames, -wanted.f_number)
    else:
        assert found.finest_detail_um <= wanted.finest_detail_um * (1 + 1e-9)
    if goal.minutes is None:  # the f-numbers searched are 0.04 apart
        assert found.f_number == pytest.approx(wanted.f_number, abs=0.0401)


LAMPS = {
    "a lamp": REQUEST,
    "a flash": replace(REQUEST, light=Light(kind="flash", exposure_s=0.005, recycle_s=1)),
    "a lamp, back to front": replace(REQUEST, order="back_to_front", subject=Subject(depth_mm=6)),
    "a strong lamp": replace(REQUEST, light=Light(kind="continuous", exposure_s=0.02), subject=Subject(depth_mm=3.3)),
}
LEAST, MOST = 4.5, 6.5


@pytest.mark.parametrize("name", [pytest.param("a lamp", marks=pytest.mark.campaign), *list(LAMPS)[1:]])
def test_budgets_of_time_against_every_hundredth(name):
    request = LAMPS[name]
    rows = [aperture_row(request, hundredth / 100) for hundredth in range(round(LEAST * 100), round(MOST * 100) + 1)]
    # metered anew at the end of the ring: the search's own f-number must not widen the range
    request = at_f_number(LAMPS[name], LEAST)
    times = sorted(row.duration_s / 60 for row in rows)
    pick = random.Random(5)
    for _ in range(examples(40)):
        # between the shortest and the longest, and a little outside
        goal = Goal(minutes=pick.uniform(0.97 * times[0], 1.03 * times[-1]))
        found, wanted = best_aperture(request, goal, least=LEAST, most=MOST), by_search(goal, rows)
        assert (found and found.f_number) == (wanted and wanted.f_number), goal


def test_the_search_plans_few_f_numbers(monkeypatch):
    planned = []
    monkeypatch.setattr(
        aperture_search,
        "aperture_row",
        lambda request, f_number: planned.append(f_number) or aperture_row(request, f_number),
    )
    for minutes in (0.5, 0.555, 1.0, 1.5, 3.0, 6.0):
        planned.clear()
        best_aperture(REQUEST, Goal(minutes=minutes))
        assert len(planned) < 500  # a millisecond each, where every hundredth would be 3061


def test_between_two_marks_there_are_fewer_frames_than_at_the_mark_that_still_resolves():
    best = best_aperture(REQUEST, Goal(detail_um=6.0))
    assert best.f_number == math.floor(100 * resolves_up_to(6.0)) / 100 == 3.1
    at_mark = max(row.frames for row in aperture_rows(REQUEST) if row.f_number == 2.8)
    assert best.frames < at_mark


def test_of_equal_detail_the_larger_f_number_wins_as_far_as_pixels_rule():
    # two pixels are 5.244 um on the subject
    best = best_aperture(REQUEST, Goal(frames=10_000))
    assert best.f_number == math.floor(100 * resolves_up_to(2 * 23.6 / 6 / 1.5)) / 100 == 2.45
    assert best.finest_detail_um == pytest.approx(2 * 23.6 / 6 / 1.5)


def test_a_tight_budget_costs_detail_and_an_impossible_one_gives_nothing():
    few = best_aperture(REQUEST, Goal(frames=15))
    assert few.frames <= 15
    assert few.finest_detail_um > 5.25
    assert aperture_row(REQUEST, few.f_number - 0.01).frames > 15
    assert best_aperture(REQUEST, Goal(frames=1)) is None
    assert best_aperture(REQUEST, Goal(detail_um=1.0)) is None


def test_the_request_s_own_f_number_extends_the_ring():
    closed = replace(REQUEST, rig=replace(REQUEST.rig, f_number=45.0))
    assert best_aperture(closed, Goal(detail_um=1000.0)).f_number == 45
    assert best_aperture(REQUEST, Goal(detail_um=1000.0)).f_number == MARKS[-1]


def test_a_lens_that_opens_wider_than_the_marks_is_searched_there_too():
    # pixels of a tenth of the size are no limit here
    fine = replace(REQUEST, camera=replace(REQUEST.camera, pixels=(60_000, 40_000)), subject=Subject(depth_mm=0.05))
    assert best_aperture(fine, Goal(detail_um=2)) is None
    wide_open = replace(fine, rig=replace(fine.rig, f_number=1.0))
    at = math.floor(100 * resolves_up_to(2.0, pitch_um=23.6 / 60)) / 100
    assert best_aperture(wide_open, Goal(detail_um=2)).f_number == at == 1.25


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
    goal = Goal(frames=6, minutes=rows[first + 5].duration_s / 60)
    assert [row for row in rows if meets(goal, row)] == rows[first : first + 6]
    assert best_aperture(REQUEST, goal) == rows[first]


def test_minutes_of_an_unknown_time_are_refused():
    with pytest.raises(Refusal, match="time of this stack is not known") as refused:
        best_aperture(replace(REQUEST, light=None), Goal(minutes=5))
    assert refused.value.key == "light"


def test_an_objective_has_no_ring_to_turn():
    rig = ObjectiveRig(magnification=4, na=0.1, reference_mm=190, tube_lens_mm=190)
    with pytest.raises(Refusal, match="no ring to turn"):
        best_aperture(replace(REQUEST, rig=rig), Goal(frames=100))


def test_f_numbers_that_are_refused_are_passed_over():
    # one division of this dial is 100 um: no step at all with the lens open
    coarse = replace(REQUEST.rail, microsteps_per_full_step=1, full_steps_per_turn=10)
    request = replace(REQUEST, rail=coarse)
    assert aperture_row(request, 1.4).refused is not None
    assert best_aperture(request, Goal(detail_um=14.0)).f_number == math.floor(100 * resolves_up_to(14.0)) / 100
    within = best_aperture(request, Goal(frames=1000))
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


@pytest.mark.parametrize("told_lp_mm", [1.0, 40.0, 129.0], ids=["soft", "usual", "finer than two pixels"])
@pytest.mark.parametrize("f_number", [1.4, 4.0])
def test_what_would_be_measured_at_another_f_number_is_found_wherever_it_lies(told_lp_mm, f_number):
    # At 0.05x and f/2 a perfect lens passes 129 lp/mm, past the 127 of two pixels a line pair. The closed form of the
    # MTF, the pixel, and the Gaussian that makes it one half at f/2; solved anew at the other f-number by brentq.
    def perfect(nu: float, marked: float) -> float:
        s, x = min(nu * 0.55e-3 * marked * 1.05, 1.0), math.pi * 23.6 / 6000 * nu
        return 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s**2)) * math.sin(x) / x

    falloff = math.log(2 * perfect(told_lp_mm, 2.0)) / told_lp_mm**2
    expected = brentq(lambda nu: perfect(nu, f_number) * math.exp(-falloff * nu**2) - 0.5, 1e-3, 6000 / 23.6 - 1e-3)
    rig = MeasuredRig(magnification=0.05, f_number=2)
    soft = replace(REQUEST, rig=rig, focus=Focus(lens_mtf50_lp_mm=told_lp_mm), subject=Subject(depth_mm=30))
    assert at_f_number(soft, f_number).focus.lens_mtf50_lp_mm == pytest.approx(expected, rel=1e-8)


def test_the_settings_of_an_f_number_name_all_that_changes_with_it():
    assert set_options(REQUEST, 4.0) == ["rig.f_number=4"]
    assert set_options(REQUEST, 8.0) == ["rig.f_number=8", "light.exposure_s=2"]  # two stops of half a second
    metered = replace(REQUEST, light=replace(REQUEST.light, at_f_number=4))
    assert set_options(metered, 8.0) == ["rig.f_number=8"]
    effective = replace(REQUEST, rig=replace(REQUEST.rig, f_number=None, effective_f_number=10.0))
    assert set_options(effective, 8.0)[:2] == ["rig.f_number=8", "rig.effective_f_number=null"]
    soft = replace(REQUEST, focus=Focus(lens_mtf50_lp_mm=40))
    assert set_options(soft, 8.0)[-1].startswith("focus.lens_mtf50_lp_mm=")


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_a_row_says_the_same_as_the_plan_of_its_f_number(order):
    request = replace(REQUEST, order=order, subject=Subject(depth_mm=6))
    row, plan = aperture_row(request, 8.0), plan_of(at_f_number(request, 8.0), {})
    assert row.frames == plan.coverage.frame_count
    assert row.duration_s == pytest.approx(plan.budget.duration_s, rel=1e-5)  # the plan keeps six digits
