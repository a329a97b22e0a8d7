"""Depths that hold nothing: no frame lies there, and everything else is covered as before."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from planning.laid import lay_planes

from stacker.documents.loading import load_request
from stacker.documents.plan_file import plan_text, read_plan, write_plan
from stacker.errors import InputError
from stacker.optics.spectrum import Spectrum
from stacker.planning.draft import draft_of
from stacker.planning.gap_risk import gap_risk
from stacker.planning.planner import plan_of
from stacker.planning.sensitivity import effects_of_assumptions
from stacker.planning.zones import Gap, Zone
from stacker.presenting.bench_card import bench_card
from stacker.presenting.slices import Slices


def stops(gaps, **request):
    asked = {"depth_um": 100.0, "step_um": 10.0, "slice_um": 12.0, "end_frames": 0} | request
    return lay_planes(gaps=tuple(Gap(from_um=a, to_um=b) for a, b in gaps), **asked).position_microsteps.tolist()


@pytest.mark.parametrize(
    ("gaps", "request_", "expected"),
    # All worked out by hand.
    [
        pytest.param([(20, 70)], {}, [0, 10, 20, 70, 80, 90, 100], id="edges on stops"),
        pytest.param([(21, 69.5)], {}, [0, 10, 20, 30, 69, 79, 89, 99, 109], id="edges between stops"),
        pytest.param([(22, 28)], {}, list(range(0, 101, 10)), id="narrower than a step"),
        pytest.param([(20, 45), (50, 95)], {}, [0, 10, 20, 45, 55, 95, 105], id="two gaps"),
        pytest.param([(20, 45), (40, 70)], {}, [0, 10, 20, 45, 70, 80, 90, 100], id="gaps that meet"),
        pytest.param([(20, 70)], {"lead_error": 0.05}, [-10, 0, 10, 20, 30, 65, 75, 85, 95, 105], id="lead error"),
        pytest.param(
            [(20, 70)],
            {"zones": (Zone(from_um=70, to_um=80, step_um=5.0), Zone(from_um=10, to_um=20, step_um=5.0))},
            [0, 10, 15, 20, 70, 75, 80, 90, 100],
            id="zones on both sides",
        ),
    ],
)
def test_gaps_are_crossed_in_one_step(gaps, request_, expected):
    assert stops(gaps, **request_) == expected


@st.composite
def stacks_with_gaps(draw):
    depth_um = draw(st.integers(20, 3000))
    edges = sorted(draw(st.lists(st.integers(1, depth_um - 1), max_size=6, unique=True)))
    gaps = list(zip(edges[::2], edges[1::2], strict=False))
    slice_um = draw(st.integers(10, 80))
    return {
        "depth_um": float(depth_um),
        "step_um": slice_um * draw(st.sampled_from([0.4, 0.7, 1.0])),
        "slice_um": float(slice_um),
        "microstep_um": draw(st.sampled_from([None, 0.3125, 2.5])),
        "lead_error": draw(st.sampled_from([0.0, 0.004])),
        "end_frames": draw(st.integers(0, 2)),
    }, gaps


@settings(max_examples=examples(400), deadline=None)
@given(drawn=stacks_with_gaps())
def test_every_depth_outside_of_gaps_lies_in_a_slice_and_joined_slices_meet(drawn):
    asked, gaps = drawn
    planes = lay_planes(gaps=tuple(Gap(from_um=a, to_um=b) for a, b in gaps), **asked)
    whole = lay_planes(**asked)
    depth_um = np.linspace(0, asked["depth_um"], 3001)
    for start, end in gaps:
        depth_um = depth_um[(depth_um <= start) | (depth_um >= end)]
    # even where the rail goes too far or too short by its lead error
    for stretched in (1 - asked["lead_error"], 1 + asked["lead_error"]):
        near_um, far_um = planes.near_um * stretched - 1e-6, planes.far_um * stretched + 1e-6
        assert np.all(np.any((near_um <= depth_um[:, None]) & (depth_um[:, None] <= far_um), axis=1))
    assert planes.frame_count <= whole.frame_count
    assert np.all(planes.step_um[planes.joined] <= asked["step_um"] * (1 + 1e-9))
    for crosses, (here_um, there_um) in zip(~planes.joined, pairwise(planes.focus_um), strict=True):
        if crosses:  # only where somebody said that there is nothing
            assert any(start <= here_um + 1e-6 and there_um - 1e-6 <= end for start, end in _merged(gaps))


def _merged(gaps):
    """Gaps that touch are one to whoever crosses them."""
    merged = []
    for start, end in sorted(gaps):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def test_a_crossing_is_no_risk_and_no_seam():
    planes = lay_planes(
        depth_um=100.0, step_um=10.0, slice_um=12.0, end_frames=0, gaps=(Gap(from_um=20.0, to_um=70.0),)
    )
    stack = {"focus_um": planes.focus_um, "dof_um": planes.slice_um, "depth_um": 100.0, "repeatability_um": 0.5}
    assert gap_risk(**stack) == 1.0  # 50 um between slices of 12
    # five seams of 2 um to spare, each against 0.5 um sqrt(2): five times the normal tail beyond 2.828, 0.00234
    # (tables of the normal distribution, from memory)
    assert gap_risk(**stack, joined=planes.joined) == pytest.approx(5 * 0.00234, rel=0.01)


REQUEST = """\
rig: {kind: measured, magnification: 2, f_number: 4, working_distance_mm: 60}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}
light: {kind: flash, exposure_s: 0.005}
subject: {depth_mm: 3GAPS}
rail: {name: b, travel_mm: 80, soft_limits_mm: [2, 78], full_steps_per_turn: 200, microsteps_per_full_step: 16,
  lead_mm: 2, speed_mm_s: 3, acceleration_mm_s2: 15, backlash_um: 15, settle_s: 0.5, repeatability_um: 1.5}
"""
GAPS = ", gaps: [{from_mm: 0.6, to_mm: 2.4}]"


@pytest.fixture
def requests(tmp_path):
    def loaded(gaps):
        path = tmp_path / "r.yaml"
        path.write_text(REQUEST.replace("GAPS", gaps), encoding="utf-8")
        return load_request(path)

    return loaded


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_a_plan_with_a_gap_goes_to_its_file_and_back_and_the_card_says_what_it_saves(requests, tmp_path, order):
    with_gap, without = requests(GAPS), requests("")
    plan = plan_of(replace(with_gap.value, order=order), {})
    whole = plan_of(replace(without.value, order=order), {})
    assert "gaps" not in plan_text(whole)
    assert "frames_saved" not in plan_text(whole)
    path = tmp_path / "r.plan.yaml"
    written = write_plan(plan, path)
    assert read_plan(path) == written
    saved = whole.coverage.frame_count - plan.coverage.frame_count
    assert plan.coverage.frames_saved == saved > 10
    # 1.8 mm without frames, less the spare of a step on each side
    assert saved == pytest.approx(1800 / whole.coverage.step_um, abs=2)
    assert plan.frames.overlap.count(None) == 2  # row 1, and the crossing
    for name in ("step_um", "overlap", "seam_contrast"):
        assert getattr(plan.coverage, name) == getattr(whole.coverage, name)
    assert plan.motion.step_microsteps == whole.motion.step_microsteps
    card = "\n".join(bench_card(plan))
    assert f"nothing need be sharp from 0.6 to 2.4 mm: {saved} frames fewer" in card
    (steps,), (whole_steps,) = (
        [line.partition(" overlap")[0] for line in bench_card(one) if line.startswith("steps")] for one in (plan, whole)
    )
    assert steps == whole_steps


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_the_slices_of_the_page_have_no_seam_across_a_gap(requests, order):
    plan = plan_of(replace(requests(GAPS).value, order=order), {})
    slices = Slices.of(plan, Spectrum.single(550))
    (crossing,) = (seam for seam, kept in enumerate(slices.seam_contrast) if math.isnan(kept))
    assert slices.focus_um[crossing] >= 600
    assert slices.focus_um[crossing + 1] <= 2400
    assert slices.seam_contrast[slices.softest] == pytest.approx(plan.coverage.seam_contrast, abs=1e-3)


def test_the_seams_of_the_draft_leave_the_crossing_out(requests):
    draft, whole = draft_of(requests(GAPS).value), draft_of(requests("").value)
    assert draft.softest_seam == pytest.approx(whole.softest_seam, abs=1e-9)
    assumed = {"rig.pupil_magnification": 1}
    with_gap, without = (
        [case.seam for effect in effects_of_assumptions(one.request, assumed) for case in effect.cases]
        for one in (draft, whole)
    )
    assert with_gap == pytest.approx(without, abs=1e-9)
    half, all_of_it = draft.gap_risk_at(8.0), whole.gap_risk_at(8.0)
    assert 0 < half < all_of_it < 1


def test_a_gap_may_be_wider_than_any_defocus_that_has_a_contrast():
    # derived: 6 mm through NA 0.28 are 3000 um (1 - 0.96)/0.55 um, 218 waves at half of it
    text = """
rig: {kind: objective, magnification: 10, na: 0.28, reference_mm: 200, tube_lens_mm: 200}
camera: {sensor_mm: [24, 16], pixels: [6000, 4000]}
subject: {depth_mm: 6.6, gaps: [{from_mm: 0.3, to_mm: 6.3}]}
"""
    plan = plan_of(load_request("wide.yaml", text=text).value, {})
    assert plan.coverage.seam_contrast > 0.8
    kept = Slices.of(plan, Spectrum.single(550)).seam_contrast
    assert sum(map(math.isnan, kept)) == 1
    assert min(filter(math.isfinite, kept)) == pytest.approx(plan.coverage.seam_contrast, abs=1e-3)


@pytest.mark.parametrize(
    ("gaps", "message"),
    [
        (", gaps: [{from_mm: 2, to_mm: 1}]", "subject.gaps[1].to_mm: found 1; write a depth beyond from_mm (2)"),
        (
            ", gaps: [{from_mm: 2, to_mm: 3}]",
            "subject.gaps[1].to_mm: found 3; the subject ends at 3 mm, and its back is no gap",
        ),
        (", gaps: [{from_mm: 0, to_mm: 1}]", "subject.gaps[1].from_mm: found 0; write a number above 0"),
        (
            GAPS + ", zones: [{from_mm: 2, to_mm: 2.5, overlap: 0.5}]",
            "subject.gaps[1].from_mm: found a gap from 0.6 to 2.4 mm; the zone from 2 to 2.5 mm lies in it: end one "
            "where the other begins",
        ),
    ],
)
def test_gaps_that_mean_nothing_are_refused(requests, gaps, message):
    with pytest.raises(InputError) as refused:
        requests(gaps)
    assert message in str(refused.value)
