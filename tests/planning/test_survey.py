"""The coarse stack that is shot before the depth is known."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan
from stacker.errors import Refusal
from stacker.planning.draft import draft_of
from stacker.planning.survey import survey_of

REQUEST = """\
name: Lacewing
rig: {kind: measured, magnification: 2, f_number: 4, working_distance_mm: 60}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}
subject: {depth_mm: 3, front_at_mm: 30, zones: [{from_mm: 0, to_mm: 1, overlap: 0.6}], gaps: [{from_mm: 1, to_mm: 2}]}
rail: {name: b, travel_mm: 80, soft_limits_mm: [2, 78], full_steps_per_turn: 200, microsteps_per_full_step: 16,
  lead_mm: 2, speed_mm_s: 3, acceleration_mm_s2: 15, backlash_um: 15, settle_s: 0.5}
"""


@pytest.fixture
def request_path(tmp_path):
    path = tmp_path / "lacewing.yaml"
    path.write_text(REQUEST, encoding="utf-8")
    return path


@pytest.fixture
def request_(request_path):
    return load_request(request_path).value


@st.composite
def requests(draw):
    """3 mm deep, by many lenses."""
    return load_request(
        "r.yaml",
        text=f"""\
rig: {{kind: measured, magnification: {draw(st.floats(0.3, 12))!r}, f_number: {draw(st.floats(1.8, 16))!r}}}
camera: {{sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}}
subject: {{depth_mm: 3}}
focus: {{kept_contrast: {draw(st.floats(0.5, 0.95))!r}}}
""",
    ).value


@given(requests())
def test_its_slices_are_three_of_the_stack_and_it_covers_the_same_depth(asked):
    stack, survey = draft_of(asked), draft_of(survey_of(asked))
    ratio = survey.planes.slice_um[0] / stack.planes.slice_um[0]
    # at least three; more only by what one pixel of the smaller picture makes of it
    assert 3 <= ratio < 3 * (1 + 3 / survey.request.focus.output_pixels)
    assert survey.planes.near_um[0] <= 0
    assert survey.planes.far_um[-1] >= 3000
    assert survey.planes.frame_count <= stack.planes.frame_count


def test_what_is_not_known_yet_is_left_out_and_the_rest_stays(request_):
    survey = survey_of(request_)
    assert survey.purpose == "survey"
    assert survey.name == "Lacewing, survey"
    assert survey.subject == replace(request_.subject, zones=(), gaps=())
    assert (survey.rig, survey.camera, survey.rail) == (request_.rig, request_.camera, request_.rail)


def test_a_rig_with_no_coarser_picture_says_so(request_):
    tiny = replace(request_, camera=replace(request_.camera, sensor_mm=(0.1, 0.1), pixels=(20, 20)))
    with pytest.raises(Refusal, match="no coarser picture has slices three times as thick"):
        survey_of(tiny)


def test_the_command_takes_the_range_from_the_rail(stacker, request_path):
    result = stacker("plan", request_path, "--survey", "--from-mm", 38, "--to-mm", 42.5)
    assert result.code == 0, result.err
    plan = read_plan(request_path.with_name("lacewing.survey.plan.yaml"))
    assert plan.request.purpose == "survey"
    assert (plan.request.subject.front_at_mm, plan.request.subject.depth_mm) == (38, 4.5)
    assert not plan.advice
    assert not request_path.with_name("lacewing.plan.yaml").exists()
    assert "Next: stacker drive" in result.err


def test_its_run_names_the_command_that_tells_where_the_subject_lies(stacker, request_path):
    stacker(
        *("plan", request_path, "--survey", "--from-mm", 38, "--to-mm", 40),
        *("--set", "light={kind: flash, exposure_s: 0.01}", "-o", request_path.with_name("lacewing.survey.plan.yaml")),
    )
    plan = request_path.with_name("lacewing.survey.plan.yaml")
    done = stacker("drive", plan, "--go", "--yes", "--url", "sim://a?time_scale=inf")
    assert done.code == 0, done.err
    (journal,) = request_path.parent.glob("*.run.jsonl")
    assert f"Next: stacker survey FOLDER --journal {journal}" in done.err


def test_a_stack_has_no_purpose_in_its_file(stacker, request_path):
    assert stacker("plan", request_path).code == 0
    assert "purpose" not in request_path.with_name("lacewing.plan.yaml").read_text(encoding="utf-8")


def test_behind_a_flat_face_the_depth_is_longer_than_the_rails_way(stacker, request_path):
    result = stacker(
        *("plan", request_path, "--survey", "--from-mm", 38, "--to-mm", 40, "--set", "subject.index=1.5"),
        *("-o", request_path.with_name("s.plan.yaml")),
    )
    assert result.code == 0, result.err
    assert read_plan(request_path.with_name("s.plan.yaml")).request.subject.depth_mm == 3


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--from-mm", 1, "--to-mm", 2), "--from-mm and --to-mm go together, and with --survey"),
        (("--survey", "--from-mm", 1), "--from-mm and --to-mm go together"),
        (("--survey", "--from-mm", 3, "--to-mm", 2), "write a larger number"),
        (("--survey", "--from-mm", 3, "--to-mm", 2000), "1937 mm past the front"),
        (("--survey", "--from-mm", 60, "--to-mm", 78), "soft limits"),
        (
            ("--survey", "--from-mm", 3, "--to-mm", 5, "--set", "moves=rear"),
            "the rail's travel is not the subject's depth",
        ),
    ],
)
def test_a_range_that_means_nothing_is_refused(stacker, request_path, arguments, message):
    result = stacker("plan", request_path, *arguments)
    assert result.code in (1, 2)
    assert message in result.err
    assert not list(request_path.parent.glob("*.plan.yaml"))
