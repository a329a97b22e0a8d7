"""The plan's time and the run's agree: two programs, one on paper and one with a rail that takes its time."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from driving.runs import person

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan, write_plan
from stacker.driving.drive import drive
from stacker.driving.dry_run import rehearse
from stacker.driving.job import job_of
from stacker.driving.run_options import RunOptions
from stacker.planning.planner import plan_of
from stacker.rail import port_shutter

DRIVEN = [  # by a motor, as one stack: panels have their own test
    path
    for path in sorted((Path(__file__).parents[2] / "plans").glob("*.plan.yaml"))
    if "lead_mm" in path.read_text() and "\npanels:" not in path.read_text()
]


def driven(path, tmp_path):
    plan = read_plan(path)
    log = tmp_path / "rail.log"
    job = job_of(plan, path, url=f"sim://bench?time_scale=inf&log={log}&exposure_s=0.001")
    told = []
    outcome = drive(job, RunOptions(yes=True, journal=tmp_path / "j.jsonl"), person(report=told.append))
    shutters = [json.loads(line) for line in log.read_text().splitlines()]
    return plan, outcome, [event for event in shutters if event["event"] == "shutter"], told


def test_there_are_plans_for_motor_rails():
    assert len(DRIVEN) >= 4


# The two with the most frames only in the campaign: they have nothing that the others lack.
LONG = ("fly_wing_coupled.plan.yaml", "weevil_reversed.plan.yaml")


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, id=path.stem, marks=[pytest.mark.campaign] if path.name in LONG else []) for path in DRIVEN],
)
def test_a_stored_plan_is_exposed_in_its_places_and_in_its_time_within_one_percent(path, tmp_path):
    plan, outcome, shutters, told = driven(path, tmp_path)
    assert outcome.duration_s == pytest.approx(plan.budget.duration_s, rel=0.01)
    # and the true time between first and last shutter, by the hardware's log
    starts = plan.frames.start_s
    planned_s = starts[-1] - starts[0]
    assert shutters[-1]["time_s"] - shutters[0]["time_s"] == pytest.approx(planned_s, rel=0.01)
    # time left, told on the way, adds up: half of it is the plan's, half a mean that holds the first take-up too
    middle = told[len(told) // 2]
    assert middle.elapsed_s + middle.left_s == pytest.approx(plan.budget.duration_s, rel=0.03)
    # and every frame was exposed at its place
    places = [event["position_microsteps"] for event in shutters]
    front = places[0] - plan.frames.position_microsteps[0]
    assert places == [front + position for position in plan.frames.position_microsteps]
    assert outcome.frames == tuple(plan.frames.frame)


class ReleaseLine:
    """A modem line of which nothing comes."""

    def __init__(self, *_):
        pass

    def set(self, *, on):
        """Nothing."""

    def close(self):
        """Nothing."""


LAMP = ("light={kind: continuous, exposure_s: 0.01}", "camera.write_mb_s=null", "rail.settle_s=0.1")


@pytest.mark.parametrize("baud", [pytest.param(115_200, marks=pytest.mark.campaign), 9600])  # slow, the line tells most
@pytest.mark.parametrize(
    "changes",
    [
        (),
        LAMP,
        (*LAMP, "rail.settle_s=0"),  # a quarter of a second a frame: no wait hides the line
        (*LAMP, "rail.shutter.focus_s=1"),
        (*LAMP, "rail.shutter.bulb=true", "light.exposure_s=0.5"),
        (*LAMP, "order=back_to_front"),
        (*LAMP, "rail.shutter={via: rts, port: COM9, pulse_s: 0.3}"),
        (*LAMP, "rail.shutter={via: rts, port: COM9, bulb: true}"),
        (
            *LAMP,
            "moves=rear",
            "rail.shutter.bulb=true",
            "light.exposure_s=1",
        ),  # an exposure time of its own for each frame
        ("light.recycle_s=0", "camera.buffer_frames=3", "camera.raw_mb=90", "camera.write_mb_s=30"),
    ],
    ids=" ".join,
)
def test_promised_and_taken_time_agree_with_the_line_in_them(tmp_path, monkeypatch, changes, baud):
    monkeypatch.setattr(port_shutter, "SerialReleaseLine", ReleaseLine)
    request = ("seed_head_bellows" if "moves=rear" in changes else "leaf_beetle") + ".yaml"
    changes = tuple(change for change in changes if change != "moves=rear")
    loaded = load_request(
        DRIVEN[0].parent / request, (*changes, "subject.depth_mm=2", "subject.zones=[]", f"rail.link.baud={baud}")
    )
    path = tmp_path / "x.plan.yaml"
    write_plan(plan_of(loaded.value, loaded.assumed), path)
    plan, outcome, _, _ = driven(path, tmp_path)
    # The promise is one in a hundred. The clock itself is better: it leaves out digits of positions, more or fewer than
    # usual, and how a motor's whole steps round a move.
    assert outcome.duration_s == pytest.approx(plan.budget.duration_s, rel=0.004)
    job = job_of(plan, path)
    front_at = job.rail.travel // 2 if job.front_at is None else job.front_at  # where the simulated rail starts
    rehearsed = rehearse(job, front_at=front_at, frames=plan.frames.frame)
    assert rehearsed.opens_s[-1] == pytest.approx(plan.frames.start_s[-1], rel=0.004)


def test_a_slow_line_takes_longer_and_a_simulated_one_is_as_fast_as_its_address_says():
    def seconds(*changes):
        loaded = load_request(DRIVEN[0].parent / "leaf_beetle.yaml", (*LAMP, *changes))
        return plan_of(loaded.value, loaded.assumed).budget.duration_s

    usual = seconds("rail.link={url: COM4}")
    assert seconds("rail.link={url: COM4, baud: 9600}") > usual + 60 * 0.09  # sixty frames
    assert seconds("rail.link={url: 'sim://bench?baud=9600'}") == seconds("rail.link={url: COM4, baud: 9600}")
    assert seconds("rail.link={url: 'sim://bench'}") == usual
    assert seconds("rail.link=null") == usual
    # what a network adds nobody knows; the line behind it is one of that speed
    assert seconds("rail.link={url: 'socket://127.0.0.1:7000'}") == usual
