"""Panels: every point of a subject larger than the field lies in the picture, and in a slice, of some panel."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
from examples import examples
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from stacker.documents.loading import load_request
from stacker.documents.plan_file import digest_of, parse_plan, plan_text
from stacker.errors import InputError, Refusal
from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of

RAIL = (
    "{name: b, travel_mm: 80, soft_limits_mm: [2, 78], full_steps_per_turn: 200, microsteps_per_full_step: 16, "
    "lead_mm: 2, speed_mm_s: 3, acceleration_mm_s2: 15, backlash_um: 15, settle_s: 0.5, repeatability_um: 1.5}"
)
DIAL = "{name: stage, travel_mm: 50, soft_limits_mm: [0, 50], dial: {mm_per_turn: 0.5, divisions: 50}, backlash_um: 20}"
LENS = "{kind: measured, magnification: 1.5, f_number: 4, working_distance_mm: 60, entrance_pupil_mm: 70}"
SHORT = "{name: s, travel_mm: 20, soft_limits_mm: [1, 19], dial: {mm_per_turn: 1, divisions: 50}}"
OBJECTIVE = (
    "{kind: objective, magnification: 5, na: 0.14, working_distance_mm: 30, reference_mm: 200, tube_lens_mm: 200}"
)
BELLOWS = (
    "{kind: lens, focal_length_mm: 75, max_magnification: 0, f_number: 5.6, tubes_mm: [130], working_distance_mm: 96}"
)
RIGS = {
    "lens": (LENS, "camera"),
    "stage": (LENS, "subject"),
    "objective": (OBJECTIVE, "camera"),
    "bellows": (BELLOWS, "rear"),
}


def request(rig="lens", *, width=None, height=None, depth=2.0, panels="{}", order="front_to_back", rail=RAIL, more=""):
    optics, moves = RIGS[rig]
    size = "".join(f", {key}_mm: {value}" for key, value in (("width", width), ("height", height)) if value is not None)
    asked = "" if panels is None else f"panels: {panels}\n"
    text = (
        f"rig: {optics}\nmoves: {moves}\norder: {order}\n"
        "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000], raw_mb: 30, card_gb: 64, battery_frames: 400}\n"
        "light: {kind: flash, exposure_s: 0.005, recycle_s: 1.5, moves_with_subject: true}\n"
        f"subject: {{depth_mm: {depth}{size}}}\nrail: {rail}\n{asked}{more}"
    )
    return load_request("p.yaml", text=text).value


def covered_mm(draft, depth_mm):
    """Width and height that all frames, scaled alike, show of a depth: by rays through the entrance pupil.

    Each frame's picture is a cone with its tip in the entrance pupil; all are brought to the scale of the frame that
    shows most, whose cone is the one that counts, cut down to the narrowest.
    """
    sensor_mm = np.array(draft.request.camera.sensor_mm)
    focus_mm = draft.planes.focus_um / 1000
    if draft.imaging.telecentric:
        return sensor_mm / draft.aperture.magnification.max()
    pupil_mm = draft.imaging.entrance_pupil_mm  # to the front in focus
    shown_mm = sensor_mm[:, None] / draft.aperture.magnification
    if draft.request.moves == "rear":
        narrowest = (shown_mm / (pupil_mm + focus_mm)).min(axis=1)  # the pupil stands still
        return narrowest * (pupil_mm + depth_mm)
    first, last = focus_mm.min(), focus_mm.max()
    shrunk = pupil_mm / (pupil_mm + last - first)  # the frame of the deepest plane, brought to the first one's scale
    return shown_mm[:, 0] * shrunk * (pupil_mm + depth_mm - first) / pupil_mm


@settings(max_examples=examples(25), deadline=None)
@given(data=st.data())
def test_every_point_of_the_subject_lies_in_a_picture_and_a_slice_of_some_panel(data):
    rig = data.draw(st.sampled_from(sorted(RIGS)))
    depth = data.draw(st.floats(0.3, 6)) / (8 if rig == "objective" else 1)
    scale = {"objective": 5}.get(rig, 1.5)
    width, height = (round(side / scale * data.draw(st.floats(0.5, 4.5)), 3) for side in (23.5, 15.7))
    overlap = round(data.draw(st.floats(0.05, 0.6)), 3)
    rails = [data.draw(st.sampled_from([None, RAIL, DIAL])) for _ in range(2)]
    axes = "".join(f", {name}_rail: {rail}" for name, rail in zip(("across", "down"), rails, strict=True) if rail)
    asked = request(
        rig,
        width=width,
        height=height,
        depth=round(depth, 3),
        panels=f"{{overlap: {overlap}{axes}}}",
        order=data.draw(st.sampled_from(["front_to_back", "back_to_front"])),
    )
    try:
        plan, draft = plan_of(asked, {}), draft_of(asked)
    except Refusal as refusal:
        assume(refusal.code not in ("soft_limits", "collision"))
        raise
    planned = plan.panels
    places = np.array([(panel.across_mm, panel.down_mm) for panel in planned.panels])
    near_um, far_um = np.array(plan.frames.near_um), np.array(plan.frames.far_um)
    for depth_mm in np.linspace(0, asked.subject.depth_mm, 9):
        shown_mm = covered_mm(draft, depth_mm)
        assert (shown_mm >= np.array(planned.field_mm) - 1e-6).all()
        for side, length in enumerate((width, height)):
            points = np.linspace(-length / 2, length / 2, 101)
            off = np.abs(points[:, None] - np.unique(places[:, side])[None, :]).min(axis=1)
            assert (off <= shown_mm[side] / 2 + 1e-6).all()
        for panel in planned.panels:
            taken = slice(panel.first_frame - 1, panel.last_frame)
            assert ((near_um[taken] <= depth_mm * 1000 + 1e-3) & (far_um[taken] >= depth_mm * 1000 - 1e-3)).any()
    for side, name in enumerate(("step_across_mm", "step_down_mm")):
        step_mm = getattr(planned, name)
        if step_mm is not None:
            apart = np.diff(np.unique(places[:, side]))
            assert apart == pytest.approx(step_mm, abs=2e-6)
            assert step_mm <= planned.field_mm[side] * (1 - overlap) + 1e-6
    assert len({tuple(place) for place in places}) == planned.across * planned.down == len(planned.panels)


@pytest.mark.parametrize(("across", "down"), [(1, 1), (2, 1), (3, 2), (2, 3), (4, 2), (2, 4)])
def test_no_order_of_the_panels_moves_less(across, down):
    asked = request(panels=f"{{across: {across}, down: {down}}}")
    panels = plan_of(asked, {}).panels.panels
    places = [(panel.across_mm, panel.down_mm) for panel in panels]

    def way(order):  # one axis at a time
        return sum(abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in itertools.pairwise(order))

    assert way(places) <= min(map(way, itertools.permutations(places))) + 1e-9


def test_a_rail_goes_to_and_fro_and_the_hand_moves_as_seldom_as_can_be():
    for axis, by_hand in (("across", "row"), ("down", "column")):
        panels = plan_of(request(panels=f"{{across: 3, down: 3, {axis}_rail: {RAIL}}}"), {}).panels.panels
        moved = [getattr(a, by_hand) != getattr(b, by_hand) for a, b in itertools.pairwise(panels)]
        assert sum(moved) == 2


def test_a_panel_takes_what_its_own_depths_need_in_either_order():
    for order in ("front_to_back", "back_to_front"):
        plan = plan_of(request(panels="{across: 2, depths: [{panel: 2, from_mm: 0.7, to_mm: 1.3}]}", order=order), {})
        whole, part = plan.panels.panels
        assert (whole.first_frame, whole.last_frame) == (1, plan.coverage.frame_count)
        focus_um = sorted(plan.frames.focus_um[part.first_frame - 1 : part.last_frame])
        # one plane at or before 700 um and one at or behind 1,300, and one spare frame beyond each
        assert focus_um[1] <= 700 < focus_um[2]
        assert focus_um[-3] < 1300 <= focus_um[-2]
        assert part.duration_s < whole.duration_s
        assert plan.panels.exposures == len(whole.frames) + len(part.frames)


def test_time_cards_and_batteries_are_those_of_all_panels():
    one, four = plan_of(request(panels=None), {}), plan_of(request(panels=f"{{across: 4, across_rail: {RAIL}}}"), {})
    each_s = one.budget.duration_s
    step_mm = four.panels.step_across_mm
    # by hand: home at most 2.2 mm and one step across with its take-up, at 3 mm/s and 15 mm/s2, then 0.5 s of settling
    between_s = 3 * ((2.2 / 3 + 0.2) + (step_mm / 3 + 0.2) + 0.5)
    assert 4 * each_s < four.budget.duration_s < 4 * each_s + between_s + 0.1
    assert four.budget.raw_gb == pytest.approx(4 * one.budget.raw_gb)
    assert four.budget.batteries >= math.ceil(4 * one.coverage.frame_count / 400)
    assert [panel.duration_s for panel in four.panels.panels] == pytest.approx([each_s] * 4, abs=0.001)


def test_both_measures_beyond_the_field_make_panels_and_one_alone_is_a_warning():
    # 23.5 / 1.5 = 15.7 mm of field
    assert plan_of(request(width=40, height=8, panels=None), {}).panels.across == 4
    assert plan_of(request(width=12, height=8, panels=None), {}).panels is None
    alone = plan_of(request(width=40, panels=None), {})
    assert alone.panels is None
    assert "field_too_small" in {warned.code for warned in alone.warnings}
    assert "field_too_small" not in {warned.code for warned in plan_of(request(width=40, height=8), {}).warnings}


def test_a_plan_with_panels_is_read_as_it_was_written():
    plan = plan_of(request(width=40, height=20, panels=f"{{down_rail: {DIAL}}}"), {})
    text = plan_text(plan)
    assert parse_plan(text, "p").panels == plan.panels
    assert "panels:" not in plan_text(plan_of(request(panels=None), {}))


@pytest.mark.parametrize(
    ("found", "instead"),
    [
        ("panel: 2, column", "panel: 3, column"),
        ("first_frame: 1,", "first_frame: 99,"),
        ("across_mm: -", "across_mm: -1"),
        ("across_microsteps: -", "across_microsteps: null, #"),
    ],
)
def test_a_plan_whose_panels_do_not_fit_is_refused_even_with_its_digest(found, instead):
    text = plan_text(plan_of(request(panels=f"{{across: 2, down: 2, across_rail: {RAIL}}}"), {}))
    assert found in text
    forged = text.replace(found, instead, 1)
    if "#" in instead:
        forged = re.sub(r"null, #\d+", "null", forged)
    forged = forged.replace(f"digest: {digest_of(text)}", f"digest: {digest_of(forged)}", 1)
    with pytest.raises(InputError, match="make the plan again"):
        parse_plan(forged, "p")


@pytest.mark.parametrize(
    ("panels", "message"),
    [
        ("{across: 2}", "40 mm across take 4 panels"),
        (f"{{across: 5, across_rail: {SHORT}}}", "take-up included, and the soft limits of that rail leave 18 mm"),
        ("{overlap: 0.8, across: 4}", "with 80% in common"),
        ("{depths: [{panel: 99, from_mm: 0, to_mm: 1}]}", "found 99; there are panels 1 to"),
        ("{depths: [{panel: 1, from_mm: 0, to_mm: 3}]}", "found 3; the subject ends at 2 mm"),
        ("{down_rail: {name: s, travel_mm: 90, soft_limits_mm: [1, 89], dial: {mm_per_turn: 80, divisions: 4}}}",
         "one division of the rail down is 20 mm"),
    ],
)  # fmt: skip
def test_panels_that_cannot_be_are_refused(panels, message):
    with pytest.raises(Refusal, match=message):
        plan_of(request(width=40, height=8, panels=panels), {})


@pytest.mark.parametrize(
    ("panels", "message"),
    [
        ("{across: 0}", "panels.across: found 0"),
        ("{depths: [{panel: 1, from_mm: 2, to_mm: 1}]}", "write a depth beyond from_mm"),
        ("{depths: [{panel: 1, from_mm: 0, to_mm: 1}, {panel: 1, from_mm: 0, to_mm: 1}]}", "found 1 a second time"),
        ("{overlap: 0.9}", "panels.overlap: found 0.9"),
    ],
)
def test_keys_of_panels_are_checked(panels, message):
    with pytest.raises(InputError, match=message.replace(".", r"\.")):
        request(panels=panels)
