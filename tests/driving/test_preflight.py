"""What is refused before anything moves, and what is said first."""

from __future__ import annotations

from dataclasses import replace

import pytest
from driving.runs import MIDDLE, events, gcode_link, journal_of, make_job, openings, person, records, run, with_options

from stacker.documents.rail_link import Shutter
from stacker.driving import preflight
from stacker.driving.bench import connect, name_place, place_front
from stacker.driving.run import Start
from stacker.driving.run_options import RunOptions
from stacker.errors import LinkError, Refusal
from stacker.rail.controller import Where
from stacker.rail.line import LineController

WORDS = gcode_link(measured_10_mm=10.0)


def test_a_run_that_would_leave_the_soft_limits_is_refused_with_where_the_front_may_be(tmp_path):
    job = make_job(tmp_path)
    # positions -48 to 192 and a take-up of 30: 78 below the front, 192 above
    preflight.check(job, 3200 + 78)
    preflight.check(job, 124_800 - 192)
    for front in (3200 + 77, 124_800 - 191):
        with pytest.raises(Refusal, match=r"Put the front between 2\.049 and 77\.880 mm") as refused:
            preflight.check(job, front)
        assert refused.value.code == "limits"
    with pytest.raises(Refusal, match="too short"):
        preflight.check(make_job(tmp_path, step=60_000), MIDDLE)


def test_a_run_that_would_touch_the_subject_is_refused(tmp_path):
    job = make_job(tmp_path, clearance_um=119.0)  # the last frame is 192 microsteps, 120 um, closer
    with pytest.raises(Refusal, match="keep_clear_mm") as refused:
        run(job)
    assert refused.value.code == "collision"
    assert not events(job, "start")
    assert not journal_of(job).exists()
    preflight.check(replace(job, clearance_um=120.0), MIDDLE)


def test_limits_in_the_controller_are_narrowed_to_the_runs_range(tmp_path, monkeypatch):
    asked = []
    ask = LineController.ask
    monkeypatch.setattr(LineController, "ask", lambda self, *words: asked.append(words) or ask(self, *words))
    job = make_job(tmp_path)
    run(job)
    assert [words for words in asked if words[0] == "limits"] == [("limits", MIDDLE - 78, MIDDLE + 192)]
    assert all(MIDDLE - 78 <= words[1] <= MIDDLE + 192 for words in asked if words[0] == "move")


def test_before_the_first_move_it_says_where_which_way_and_how_far_and_asks(tmp_path):
    job = make_job(tmp_path, cards=2, batteries=1, warnings=("the step is small",))
    asked = []
    with pytest.raises(Refusal, match="nothing moved"):
        run(job, run_options=RunOptions(), who=person(confirm=lambda text: asked.append(text) or False))
    (text,) = asked
    assert "stands at 40.000 mm" in text
    assert (
        "is 40.000 mm, here; no program has moved it since\nit was switched on:\n+0.000 mm from where it stands" in text
    )
    assert "deeper into the subject: 6 frames\nbetween 39.951 and 40.120 mm, take-up included" in text  # 48 + 30 steps
    assert "2 are needed in all" in text
    assert "the step is small" in text
    assert not events(job, "start")
    assert not journal_of(job).exists()


def test_here_is_not_taken_for_the_front_on_a_real_rail_without_asking(tmp_path):
    job = make_job(tmp_path)
    rail, _ = connect(job.link, job.rail)

    def front_of(rail, job, **asked):
        return place_front(rail, job, RunOptions(**asked), how_here=lambda position, _: f"here, {position}")

    real = replace(job, link=replace(job.link, url="/dev/ttyUSB0"))
    with pytest.raises(Refusal, match=r"--front-at-mm 40\.000"):
        front_of(rail, real, front_at=None, yes=True)
    assert front_of(rail, real, front_at=None, yes=False) == (MIDDLE, f"here, {MIDDLE}")
    assert front_of(rail, job, front_at=None, yes=True) == (MIDDLE, f"here, {MIDDLE}")
    request = replace(real, front_at=50_000)
    assert front_of(rail, request, front_at=None, yes=True)[0] == 50_000
    assert front_of(rail, request, front_at=51_000, yes=True)[0] == 51_000
    rail.controller.close()


def test_a_position_that_is_not_known_is_asked_for(tmp_path):
    job = with_options(make_job(tmp_path), "position=unknown")
    with pytest.raises(Refusal, match="--rail-at-mm"):
        run(job)
    run(job, run_options=RunOptions(yes=True, rail_at=80_000))
    assert records(job, "run")[0]["front_at_microsteps"] == 80_000
    assert openings(job) == [MIDDLE + position for position in job.positions]


@pytest.mark.parametrize("slip", [-1, 128_001, 640_000])
def test_a_place_where_the_rail_cannot_stand_is_no_place(tmp_path, slip):
    job = make_job(tmp_path)
    with pytest.raises(Refusal, match=r"travel is 0 to 80.000 mm"):
        run(job, run_options=RunOptions(yes=True, rail_at=slip, front_at=64_000))
    assert not events(job, "start")


@pytest.mark.parametrize("end", [0, 128_000])
def test_a_rail_may_stand_at_the_very_ends_of_its_travel(tmp_path, end):
    job = make_job(tmp_path)
    rail, _ = connect(job.link, job.rail)
    name_place(rail, end)
    assert rail.controller.where().position == end
    rail.controller.close()


def test_nobody_at_the_port(tmp_path):
    job = with_options(make_job(tmp_path), "lose_line=1.0")
    with pytest.raises(LinkError, match="nobody answers"):
        run(job)
    assert not journal_of(job).exists()


def test_a_run_begins_at_position_0_wherever_the_rail_stands(tmp_path):
    job = make_job(tmp_path)
    run(job, run_options=RunOptions(yes=True, front_at=50_000))
    assert events(job, "start")[0]["to"] == 50_000
    assert openings(job) == [50_000 + position for position in job.positions]


def told(job, frames=6):
    lines = preflight.remarks(job, frames)
    assert all(len(line) < 80 for line in lines)
    return " ".join(lines)


def test_what_a_person_should_have_looked_at_is_said_and_nothing_else(tmp_path):
    job = make_job(tmp_path)
    assert told(job) == ""
    assert "card: an empty one; 3 are needed in all" in told(replace(job, cards=3))
    assert told(replace(job, warnings=("open up " * 20,))) == ("open up " * 20).strip()
    assert told(replace(job, cards=1), 2) == "card: room for 2 frames"
    assert told(replace(job, batteries=1)) == "battery: a charged one"
    for via in ("rts", "dtr"):
        by_line = replace(job, shutter=Shutter(via=via, port="COM9"))
        assert "COM9 is open now; opening may fire" in told(by_line)
    command = replace(job, shutter=Shutter(via="command", command=("fire it", "--now")))
    assert "'fire it' --now" in told(command)


def test_a_controller_that_only_acknowledges_has_its_doubts_told(tmp_path):
    job = make_job(tmp_path)
    words = replace(job, link=WORDS)
    assert f"Ctrl-C acts up to {WORDS.piece_s:g} s later" in told(words)
    assert "cannot be asked where it is" in told(words)
    assert "nobody has seen the camera fire" in told(words)
    assert preflight.exposure_unseen(words)
    seen = replace(job, link=replace(WORDS, exposure_seen=True))
    assert not preflight.exposure_unseen(seen)
    assert "seen the camera fire" not in told(seen)
    assert not preflight.exposure_unseen(replace(words, shutter=Shutter(via="manual")))  # the person sees it
    assert not preflight.exposure_unseen(job)


def test_a_rail_whose_steps_nobody_measured_moves_nothing(tmp_path):
    job = make_job(tmp_path)
    preflight.check_travel(job)  # the line dialect says its microsteps by itself
    words = replace(job, link=WORDS)
    preflight.check_travel(words)
    with pytest.raises(Refusal, match="nobody has measured how far") as refused:
        preflight.check_travel(replace(words, link=replace(WORDS, measured_10_mm=None)))
    assert refused.value.code == "travel_unmeasured"


def test_a_rail_that_is_just_long_enough_names_the_one_place_for_the_front(tmp_path):
    job = make_job(tmp_path)
    low, high = preflight.run_range(job, 64_000)
    tight = replace(job, rail=replace(job.rail, soft_low=low, soft_high=high))
    preflight.check(tight, 64_000)
    with pytest.raises(Refusal, match=r"Put the front between 40\.000 and 40\.000 mm"):
        preflight.check(tight, 64_001)
    with pytest.raises(Refusal, match="The rail is too short for this stack"):
        preflight.check(replace(tight, rail=replace(tight.rail, soft_high=high - 1)), 64_000)


def test_a_run_out_of_the_subject_says_so(tmp_path):
    job = make_job(tmp_path)
    back = replace(job, direction=-1, positions=tuple(reversed(job.positions)))
    start = Start(front_at=MIDDLE, frames=tuple(range(1, 7)), where_from="as the request says")
    text = preflight.announcement(back, Where(resting=True, known=True, position=MIDDLE, ended="none"), start)
    assert "it goes out of the subject: 6 frames" in text
