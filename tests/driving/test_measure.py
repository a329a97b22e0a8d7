"""The measuring run on the simulated rail, by the hardware's own log: where it goes, how it stops, what it refuses."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from driving.runs import person

from stacker.documents.journal import read_journal
from stacker.documents.measuring_run import MeasureStop
from stacker.documents.rail_link import Link, Shutter
from stacker.documents.rail_profile import RailProfile
from stacker.driving.measure import Measuring, bounds, duration_s, measure, measuring_job
from stacker.driving.measure_stops import measure_stops, reversal
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal, RunStopped
from stacker.rail.stops import StopOrder

MIDDLE = 64_000  # where the simulated rail starts [microsteps of 0.625 um]
ASKED = Measuring(travel_mm=7.0, settle_s=1.0, exposure_s=0.005, recycle_s=0.5)


def profile(folder: Path, options: str = "", **changes: object) -> RailProfile:
    url = f"sim://bench?time_scale=inf&log={folder / 'rail.log'}{options}"
    given = {
        "travel_mm": 80.0,
        "soft_limits_mm": (2.0, 78.0),
        "full_steps_per_turn": 200,
        "microsteps_per_full_step": 16,
        "lead_mm": 2.0,
        "speed_mm_s": 3.0,
        "acceleration_mm_s2": 15.0,
        "backlash_um": 12.0,
        "link": Link(url=url),
    }
    return RailProfile(**{**given, **changes})


def events(folder: Path, *names: str) -> list[dict]:
    lines = (folder / "rail.log").read_text(encoding="utf-8").splitlines()
    return [event for event in map(json.loads, lines) if event["event"] in names]


def carry_out(folder: Path, rail: RailProfile, stops=None, asked=ASKED, who=None, **options):
    job, planned = measuring_job(rail, folder / "rail.yaml", asked, url=None, need_link=True)
    given = RunOptions(**{"yes": True, "journal": folder / "run.jsonl", **options})
    return measure(job, planned if stops is None else stops, asked, given, who or person())


def test_every_stop_is_reached_from_its_side_at_its_time_and_nothing_leaves_the_travel(tmp_path):
    rail = profile(tmp_path, "&backlash=40")
    job, planned = measuring_job(rail, tmp_path / "rail.yaml", ASKED, url=None, need_link=True)
    stops = planned[3:13] + planned[57:62] + planned[110:120]  # some of each part
    outcome = carry_out(tmp_path, rail, stops)
    opened = events(tmp_path, "shutter")
    assert len(opened) == len(stops) == len(outcome.frames)
    # the carriage stands on its count when pushed upward, and its play above it when pushed downward
    expected = [MIDDLE + stop.position + (0 if stop.approached > 0 else 40) for stop in stops]
    assert [event["position_microsteps"] for event in opened] == expected
    past = read_journal(outcome.journal)
    assert (past.kind, past.pending, len(past.confirmed)) == ("measure", (), len(stops))
    delays = {
        line["frame"]: line["delay_s"]
        for line in map(json.loads, outcome.journal.read_text(encoding="utf-8").splitlines())
        if line["event"] == "exposed"
    }
    for number, stop in enumerate(stops, start=1):
        # never sooner than asked for; later by what requests take on the line
        assert -0.001 < delays[number] - stop.wait_s < 0.03, number
    assert outcome.duration_s == pytest.approx(duration_s(rail, stops, ASKED), rel=0.05)
    low, high = MIDDLE, MIDDLE + job.rail.microsteps(ASKED.travel_mm)
    assert all(low <= event["to"] <= high for event in events(tmp_path, "start"))
    assert not events(tmp_path, "blur")


@pytest.mark.parametrize("travel_mm", [7.0, -7.0])
def test_all_stops_and_what_lies_before_them_stay_within_the_travel(tmp_path, travel_mm):
    rail = profile(tmp_path)
    travel = round(travel_mm * 1600)
    back = reversal(rail)
    for stop in measure_stops(rail, travel=travel, settle_s=1.0):
        before = stop.position - stop.approached * back if stop.before is None else stop.before
        for place in (stop.position, before):
            assert min(0, travel) <= place <= max(0, travel)


def test_a_stop_beyond_the_agreed_travel_moves_nothing(tmp_path):
    """The limits of the run are set in the rail and in its controller, whatever the sequence says."""
    far = MeasureStop(position=20_000, part="repeats", approached=1, wait_s=0.1, before=100)
    with pytest.raises(RunStopped, match="outside the limits"):
        carry_out(tmp_path, profile(tmp_path), [far])
    assert all(event["to"] <= MIDDLE + 7 * 1600 for event in events(tmp_path, "start"))
    assert not events(tmp_path, "shutter")


def test_a_run_beyond_the_soft_limits_is_refused_before_anything_moves(tmp_path):
    rail = profile(tmp_path, soft_limits_mm=(2.0, 44.0))
    with pytest.raises(Refusal, match=r"the run would go from 40\.000 to 47\.000 mm"):
        carry_out(tmp_path, rail)
    assert not events(tmp_path, "start", "shutter")
    assert not (tmp_path / "run.jsonl").exists()


def test_who_says_no_moves_nothing(tmp_path):
    asked = []
    with pytest.raises(Refusal, match="not started"):
        carry_out(tmp_path, profile(tmp_path), yes=False, who=person(confirm=lambda text: bool(asked.append(text))))
    assert "between 40.000 and 47.000 mm: 152 pictures" in asked[0]
    assert "Hands" in asked[0]
    assert not events(tmp_path, "start", "shutter")
    assert not (tmp_path / "run.jsonl").exists()


def test_a_rail_that_does_not_know_its_place_is_refused(tmp_path):
    with pytest.raises(Refusal) as refusal:
        carry_out(tmp_path, profile(tmp_path, "&position=unknown"))
    assert refusal.value.code == "position_unknown"
    assert not events(tmp_path, "start", "shutter")
    known = carry_out(tmp_path, profile(tmp_path, "&position=unknown"), [], rail_at=MIDDLE)
    assert known.position == MIDDLE


def test_ctrl_c_stops_and_says_to_make_it_again(tmp_path):
    taken = []

    def order() -> StopOrder:
        return StopOrder.STOP if len(taken) >= 3 else StopOrder.GO_ON

    with pytest.raises(RunStopped) as stopped:
        carry_out(tmp_path, profile(tmp_path), who=person(report=taken.append, stop_order=order))
    text = str(stopped.value)
    assert "3 of 152 frames are confirmed" in text
    assert "not resumed" in text
    assert "from 40 mm" in text
    assert "--resume" not in text
    past = read_journal(tmp_path / "run.jsonl")
    assert (len(past.confirmed), past.lost) == (3, False)
    assert len(events(tmp_path, "shutter")) == 3


def test_a_stop_while_it_waits_for_rest_takes_no_picture(tmp_path):
    def order() -> StopOrder:
        return StopOrder.STOP if len(events(tmp_path, "rest")) >= 2 else StopOrder.GO_ON

    (tmp_path / "rail.log").touch()
    with pytest.raises(RunStopped, match="stopped by hand"):
        carry_out(tmp_path, profile(tmp_path), who=person(stop_order=order))
    assert not events(tmp_path, "shutter")


def test_a_rail_that_did_not_arrive_is_not_photographed(tmp_path):
    """A count that differs from the order ends the run: here the limit switch in the way."""
    rail = profile(tmp_path, f"&high_switch={MIDDLE + 5000}")
    with pytest.raises(RunStopped):
        carry_out(tmp_path, rail)
    assert all(event["position_microsteps"] < MIDDLE + 5000 for event in events(tmp_path, "shutter"))


def test_what_cannot_be_measured_is_refused_before_the_port_is_opened(tmp_path):
    def refused(rail: RailProfile, **changes: float) -> str:
        with pytest.raises(Refusal) as refusal:
            measuring_job(rail, tmp_path / "r.yaml", replace(ASKED, **changes), url=None, need_link=True)
        return refusal.value.code

    assert refused(profile(tmp_path), travel_mm=6.0) == "short_travel"
    assert refused(profile(tmp_path), travel_mm=-77.0) == "limits"
    assert refused(profile(tmp_path, shutter=Shutter(via="manual"))) == "by_hand"
    assert not (tmp_path / "rail.log").exists()


def test_a_driver_of_full_steps_has_no_small_steps(tmp_path):
    stops = measure_stops(profile(tmp_path, microsteps_per_full_step=1), travel=700, settle_s=1.0)
    assert not [stop for stop in stops if stop.part == "microsteps"]
    assert [stop for stop in stops if stop.part == "screw"]


@pytest.mark.parametrize("hold_after", [True, False])
def test_each_stop_stands_in_the_journal_before_and_after_its_picture_and_so_does_the_end(tmp_path, hold_after):
    rail = profile(tmp_path, f"&state={tmp_path / 'rail.json'}", hold_after=hold_after)
    _, planned = measuring_job(rail, tmp_path / "rail.yaml", ASKED, url=None, need_link=True)
    told = []
    outcome = carry_out(tmp_path, rail, planned[:4], who=person(notify=told.append))
    lines = [json.loads(line) for line in outcome.journal.read_text().splitlines()]
    assert [line["event"] for line in lines[1:]] == ["intent", "exposed", "confirmed"] * 4 + ["end"]
    assert [line["position_microsteps"] for line in lines if line["event"] == "intent"] == [
        MIDDLE + stop.position for stop in planned[:4]
    ]
    assert lines[-1]["position_microsteps"] == outcome.position == MIDDLE + planned[3].position
    assert "It goes to and fro between 40.000 and 47.000 mm" in told[0]  # asked or not, it is said
    state = json.loads((tmp_path / "rail.json").read_text())["state"]
    assert state["held"] == hold_after


def test_up_to_the_soft_limit_itself_a_run_may_go(tmp_path):
    job, _ = measuring_job(profile(tmp_path), tmp_path / "rail.yaml", ASKED, url=None, need_link=True)
    high = job.rail.soft_high
    assert bounds(job, high - 1600, 1.0) == (high - 1600, high)
    assert bounds(job, job.rail.soft_low + 1600, -1.0) == (job.rail.soft_low, job.rail.soft_low + 1600)
    for here, travel_mm in ((high - 1599, 1.0), (job.rail.soft_low + 1599, -1.0)):
        with pytest.raises(Refusal, match="turn the sign"):
            bounds(job, here, travel_mm)
