"""From the rig of a request to its imaging: f-numbers told either way, and where the subject lies."""

from __future__ import annotations

import pytest

from stacker.documents.loading import load_request
from stacker.planning.apertures import aperture_rows, at_f_number
from stacker.planning.planner import plan_of
from stacker.planning.rig import imaging_of

RIGS = {
    "lens": "{kind: lens, focal_length_mm: 60, max_magnification: 0.2, pupil_magnification: 0.8, tubes_mm: [48]",
    "with a converter": "{kind: lens, focal_length_mm: 60, max_magnification: 0.2, tubes_mm: [48], converter: 1.4",
    "reversed": "{kind: reversed, focal_length_mm: 30, pupil_magnification: 1.6, field_width_mm: 10",
    "measured": "{kind: measured, magnification: 1",
}
REST = "camera: {sensor_mm: [24, 16], pixels: [6000, 4000]}\nsubject: {depth_mm: 3}\n"


def request_of(rig: str, rest: str = REST):
    return load_request("x.yaml", text=f"rig: {rig}}}\n{rest}").value


@pytest.mark.parametrize("rig", RIGS.values(), ids=RIGS)
def test_an_effective_f_number_gives_the_marked_one_back(rig):
    marked = imaging_of(request_of(rig + ", f_number: 4"))
    told = imaging_of(request_of(f"{rig}, effective_f_number: {marked.effective_f_number!r}"))
    assert told.f_number == pytest.approx(4, rel=1e-12)
    assert told.effective_f_number == pytest.approx(marked.effective_f_number, rel=1e-12)
    assert told.object_na == pytest.approx(marked.object_na, rel=1e-12)


def test_an_effective_f_number_taken_as_marked_makes_steps_four_times_too_long_at_life_size():
    # by hand: N (1 + m) = 2 N at 1x, and depth of field goes with the square where diffraction rules
    as_marked, as_effective = (
        plan_of(request_of(f"{RIGS['measured']}, {key}: 8"), {}) for key in ("f_number", "effective_f_number")
    )
    assert as_effective.optics.f_number == 4
    ratio = as_marked.depth_of_field.compared.quarter_wave_um / as_effective.depth_of_field.compared.quarter_wave_um
    assert ratio == pytest.approx(4)


def test_other_f_numbers_are_compared_from_an_effective_one_too():
    request = request_of(RIGS["measured"] + ", effective_f_number: 8")
    rows = {row.f_number: row for row in aperture_rows(request)}
    assert rows[4.0].effective_f_number == pytest.approx(8)
    assert rows[8.0].effective_f_number == pytest.approx(16)
    assert imaging_of(at_f_number(request, 5.6)).effective_f_number == pytest.approx(11.2)


def test_the_table_of_f_numbers_ends_where_the_ring_does():
    request = request_of(RIGS["measured"] + ", f_number: 4, widest_f_number: 2.8, smallest_f_number: 16")
    assert [row.f_number for row in aperture_rows(request)] == [2.8, 4, 5.6, 8, 11, 16]


COUPLED = "{kind: coupled, rear_focal_length_mm: 180, rear_f_number: 4, front_focal_length_mm: 50, front_f_number: 2"


def test_a_coupled_lens_at_infinity_has_its_subject_where_its_own_sensor_would_be():
    assert imaging_of(request_of(COUPLED)).working_distance_mm is None
    assert imaging_of(request_of(COUPLED + ", register_mm: 45")).working_distance_mm == 45
    assert imaging_of(request_of(COUPLED + ", register_mm: 45, working_distance_mm: 41")).working_distance_mm == 41


def test_coupled_lenses_take_a_measured_aperture_before_the_marked_ones():
    # by hand: 180/50 = 3.6x; marked, the rear lens rules: 3.6/(2*4) = 0.45, the front one 1/(2*2) = 0.25: the smaller
    assert imaging_of(request_of(COUPLED)).object_na == pytest.approx(0.25)
    found = imaging_of(request_of(COUPLED + ", na: 0.2"))
    assert (found.object_na, found.effective_f_number) == pytest.approx((0.2, 3.6 / 0.4))


def test_an_entrance_pupil_that_was_measured_gives_the_edge_loss():
    # by hand: d/(u + d), d from the first plane of focus to the last
    def loss(rig):
        plan = plan_of(request_of(rig), {})
        return plan.coverage.edge_loss, (plan.coverage.last_focus_um - plan.coverage.first_focus_um) / 1000

    objective = "{kind: objective, magnification: 4, na: 0.1, reference_mm: 180, tube_lens_mm: 180"
    assert loss(objective)[0] == 0
    assert loss(COUPLED)[0] is None
    for rig in (objective, COUPLED):
        found, travel_mm = loss(rig + ", entrance_pupil_mm: 60")
        assert found == pytest.approx(travel_mm / (60 + travel_mm), rel=1e-5)


def test_a_lamp_metered_at_another_f_number():
    lamp = "light: {kind: continuous, exposure_s: 0.5, at_f_number: 4}\n"
    plan = plan_of(request_of(RIGS["measured"] + ", f_number: 5.6", REST + lamp), {})
    assert plan.frames.exposure_s[0] == pytest.approx(0.5 * 1.96, abs=1e-6)
    row = next(row for row in aperture_rows(request_of(RIGS["measured"] + ", f_number: 5.6", REST + lamp), [8.0]))
    assert row.exposure_s == pytest.approx(0.5 * 1.96)
