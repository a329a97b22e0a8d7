"""Several exposures of every frame, which the camera takes by itself at one release."""

import json
from dataclasses import replace

import pytest

from stacker.documents.journal import read_journal
from stacker.documents.loading import load_request
from stacker.documents.plan_file import plan_text, write_plan
from stacker.driving.job import job_of
from stacker.errors import InputError
from stacker.planning.evening import evening_of
from stacker.planning.planner import plan_of

REQUEST = """\
rig: {kind: measured, magnification: 2, f_number: 4, working_distance_mm: 60}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000], raw_mb: 30, card_gb: 3, battery_frames: 50, buffer_frames: 7,
  write_mb_s: 60}
light: {kind: continuous, exposure_s: 0.25BRACKET}
subject: {depth_mm: 3}
rail: {name: b, travel_mm: 80, soft_limits_mm: [2, 78], full_steps_per_turn: 200, microsteps_per_full_step: 16,
  lead_mm: 2, speed_mm_s: 3, acceleration_mm_s2: 15, backlash_um: 15, settle_s: 0.5, repeatability_um: 1.5SHUTTER}
"""
BRACKET = ", bracket_stops: [-2, 0, 2], bracket_s: 2"


def loaded(bracket, shutter=""):
    return load_request("r.yaml", text=REQUEST.replace("BRACKET", bracket).replace("SHUTTER", shutter)).value


def test_time_cards_and_batteries_know_the_bracket(tmp_path):
    plain, bracketed = plan_of(loaded(""), {}), plan_of(loaded(BRACKET), {})
    frames = plain.coverage.frame_count
    assert bracketed.coverage == plain.coverage
    assert bracketed.frames.exposure_s == plain.frames.exposure_s  # as metered
    # each frame is open for 2 s instead of 0.25, and nothing else takes longer: 90 MB are written in 1.5 s
    longer_s = bracketed.frames.start_s[-1] - plain.frames.start_s[-1]
    assert longer_s == pytest.approx((frames - 1) * 1.75, abs=1e-6)
    assert bracketed.budget.raw_gb == pytest.approx(frames * 0.09, rel=1e-5)
    assert bracketed.budget.cards == -(-frames * 3 // 100)  # a card takes 100 files
    assert bracketed.budget.batteries == -(-frames * 3 // 50)
    # both sides count the result as one picture more
    assert bracketed.budget.working_gb == pytest.approx(
        plain.budget.working_gb * (3 * frames + 1) / (frames + 1), rel=1e-5
    )
    (card,) = (warned.text for warned in bracketed.warnings if warned.code == "card_change")
    assert "is full after frame 33 of" in card
    evening = evening_of([bracketed], setup_s=0)
    assert len(evening.stacks[0].cards) == bracketed.budget.cards
    assert evening.batteries == bracketed.budget.batteries


def test_a_run_keeps_the_shutter_open_for_the_whole_bracket(tmp_path):
    plan = plan_of(loaded(BRACKET), {})
    job = job_of(plan, tmp_path / "r.plan.yaml", need_link=False)
    assert set(job.exposure_s) == {2.0}
    assert job.pictures_a_frame == 3
    assert job.pace.buffer_frames == 2  # seven files are two brackets
    assert job.pace.write_s == pytest.approx(1.5)
    assert job_of(plan_of(loaded(""), {}), tmp_path / "r.plan.yaml", need_link=False).pictures_a_frame == 1


def test_what_the_camera_needs_between_the_exposures_stays_when_they_get_longer():
    light = loaded(BRACKET).light
    # exposures of 1/16, 1/4 and 1 s: 0.6875 s of 2 are between them
    assert light.open_s(0.5) == pytest.approx(2 * 1.3125 + 0.6875)


def test_a_plan_without_brackets_says_nothing_of_them():
    assert "bracket" not in plan_text(plan_of(loaded(""), {}))


@pytest.mark.parametrize(
    ("bracket", "message"),
    [
        (", bracket_s: 2", "light.bracket_s: found without bracket_stops"),
        (", bracket_stops: [-2, 2]", "light.bracket_stops: found without bracket_s; time one bracket"),
        (", bracket_stops: [0], bracket_s: 1", "light.bracket_stops: found [0]; write two different exposures or more"),
        (", bracket_stops: [0, 1, 0], bracket_s: 9", "light.bracket_stops: found [0, 1, 0]; write two different"),
        (", bracket_stops: [0, 2], bracket_s: 1.2", "light.bracket_s: found 1.2; its exposures alone take 1.25 s"),
        (", bracket_stops: [0, 11], bracket_s: 999", "light.bracket_stops"),
        (", bracket_gap_s: 1", "light.bracket_gap_s: found without bracket_stops"),
        (", bracket_stops: [-2, 2], bracket_s: 3, bracket_gap_s: 1", "light.bracket_gap_s: found beside bracket_s"),
        (", bracket_stops: [-2, 2], bracket_gap_s: 0.2", "light.bracket_gap_s: found 0.2; contact, mirror and lag"),
    ],
)
def test_brackets_that_cannot_be_are_refused(bracket, message):
    with pytest.raises(InputError) as refused:
        loaded(bracket)
    assert message in str(refused.value)


def test_a_flash_and_a_contact_that_is_held_make_no_brackets():
    with pytest.raises(InputError, match="found with a flash, whose power no shutter time changes"):
        load_request(
            "r.yaml", text=REQUEST.replace("BRACKET", BRACKET).replace("SHUTTER", "").replace("continuous", "flash")
        )
    with pytest.raises(InputError, match="found with a shutter that the rail holds open"):
        loaded(BRACKET, ", shutter: {via: rail, bulb: true}")


def test_the_journal_says_how_many_pictures_a_frame_has(stacker, tmp_path):
    request = replace(loaded(BRACKET), subject=replace(loaded(BRACKET).subject, depth_mm=0.1, front_at_mm=30))
    path = tmp_path / "s.plan.yaml"
    write_plan(plan_of(request, {}), path)
    done = stacker("drive", path, "--go", "--yes", "--url", "sim://bench?time_scale=inf")
    assert done.code == 0, done.err
    (journal,) = tmp_path.glob("*.run.jsonl")
    assert read_journal(journal).pictures_a_frame == 3


APART = ", bracket_stops: [-2, 0, 2], bracket_gap_s: 0.5"
BULB = ", shutter: {via: rail, bulb: true}"


@pytest.mark.parametrize("shutter", ["", BULB])
def test_a_bracket_that_the_rail_fires_takes_its_exposures_and_the_gaps_in_plan_and_run(stacker, tmp_path, shutter):
    request = loaded(APART, shutter)
    request = replace(request, subject=replace(request.subject, depth_mm=0.4, front_at_mm=30))
    plan, path = plan_of(request, {}), tmp_path / "s.plan.yaml"
    assert set(job_of(plan, path, need_link=False).exposure_s) == {0.0625 + 0.25 + 1 + 2 * 0.5}
    write_plan(plan, path)
    dry = stacker("drive", path, "--all")
    assert dry.out.count("fire ") == 3 * plan.coverage.frame_count
    done = stacker("drive", path, "--go", "--yes", "--json", "--url", "sim://bench?time_scale=inf")
    assert done.code == 0, done.err
    # each of the three is set, and its outcome asked for: some milliseconds of the line for every frame
    taken_s = json.loads(done.out)["result"]["duration_s"]
    assert 0 <= taken_s - plan.budget.duration_s < 0.1 * plan.coverage.frame_count
    (journal,) = tmp_path.glob("*.run.jsonl")
    assert read_journal(journal).pictures_a_frame == 3
    refused = stacker("export", path, "--format", "gcode")
    assert "fire every exposure of the bracket" in refused.err


@pytest.mark.parametrize("shutter", [", shutter: {via: manual}", "dial"])
def test_a_person_at_the_release_fires_no_bracket_of_the_rails(shutter):
    text = REQUEST.replace("BRACKET", APART).replace("SHUTTER", shutter)
    if shutter == "dial":
        text = text[: text.index("rail:")] + (
            "rail: {travel_mm: 80, soft_limits_mm: [2, 78], dial: {mm_per_turn: 1, divisions: 100}}\n"
        )
    with pytest.raises(InputError, match="bracket_gap_s: found where a person presses the release"):
        load_request("r.yaml", text=text)


def test_the_card_says_who_fires_the_bracket(stacker, tmp_path):
    path = tmp_path / "r.yaml"
    path.write_text(REQUEST.replace("BRACKET", APART).replace("SHUTTER", BULB))
    assert "bracketed -2, 0, +2 stops 0.5 s apart, fired by the rail" in " ".join(stacker("plan", path).out.split())
    path.write_text(REQUEST.replace("BRACKET", BRACKET).replace("SHUTTER", ""))
    assert "bracketed -2, 0, +2 stops in 2 s" in " ".join(stacker("plan", path).out.split())
