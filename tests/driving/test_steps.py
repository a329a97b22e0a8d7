"""Lost steps: how far off the switch may be found, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from driving.runs import make_job
from rails import SETTINGS

from stacker.documents.rail_link import Link
from stacker.driving import steps
from stacker.driving.bench import connect
from stacker.errors import Refusal, RunStopped
from stacker.rail.controller import Where
from stacker.rail.stops import PositionLost

SWITCH = 1600


@pytest.fixture
def rail():
    found, _ = connect(Link(url="sim://x?time_scale=inf"), SETTINGS)
    yield found
    found.controller.close()


@pytest.mark.parametrize(("turn", "allowed"), [(3200, 16), (200, 2)])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_switch_may_be_found_a_part_of_an_electrical_cycle_off_and_no_more(
    tmp_path, rail, monkeypatch, turn, allowed, side
):
    # four full steps of 200 are a cycle, 3200/50 = 64 microsteps: a quarter of it is allowed
    job = make_job(tmp_path, low_switch_at=SWITCH, check_steps_after=True)
    job = replace(job, rail=replace(job.rail, microsteps_per_turn=turn))
    monkeypatch.setattr(steps, "find_switch", lambda *_: SWITCH + side * allowed)
    assert steps.check_steps(job, rail) == f"no step lost: the low switch was found within {allowed} microsteps"
    monkeypatch.setattr(steps, "find_switch", lambda *_: SWITCH + side * (allowed + 1))
    with pytest.raises(PositionLost, match=rf"found \{'+-'[side < 0]}{allowed + 1} microsteps"):
        steps.check_steps(job, rail)


@pytest.mark.parametrize("changes", [{"check_steps_after": False}, {"low_switch_at": None}])
def test_where_nobody_asks_or_knows_nothing_is_sought(tmp_path, rail, monkeypatch, changes):
    monkeypatch.setattr(steps, "find_switch", lambda *_: pytest.fail("sought"))
    job = make_job(tmp_path, **{"low_switch_at": SWITCH, "check_steps_after": True, **changes})
    assert steps.check_steps(job, rail) == "position counted, not measured"


class Going:
    """A switch whose seek takes the rail along given places; then it says how the seek ended."""

    def __init__(self, rail, *places, ended="found", hit=False):
        self.rail, self.places, self.ended, self.hit, self.begun, self.stops = rail, list(places), ended, hit, False, 0
        rail.controller.where, rail.controller.stop = self.where, self.stop

    def reads_hit(self, _):
        return self.hit

    def seek(self, _):
        self.begun = True

    def edge(self):
        return 77

    def stop(self, **_):
        self.stops += 1
        self.places = self.places[:1]

    def where(self):
        place = self.places[0]
        moving = self.begun and len(self.places) > 1
        if moving:
            self.places.pop(0)
        return Where(resting=not moving, known=True, position=place, ended=self.ended if self.begun else "none")


def sought(rail, end, *places, monkeypatch, **more):
    switches = Going(rail, *places, **more)
    monkeypatch.setattr(type(rail.controller), "switches", property(lambda _: switches))
    return switches, lambda: steps.find_switch(rail, end, None)


@pytest.mark.parametrize("end", ["low", "high"])
def test_a_seek_that_goes_the_wrong_way_or_farther_than_the_rail_is_stopped(rail, monkeypatch, end):
    """Whatever its controller thinks: 3 mm away from the switch, or more than the travel toward it."""
    toward, per_mm = (-1 if end == "low" else 1), int(SETTINGS.microsteps_per_mm)
    begin = 64_000

    def places(*way):
        return (begin, *(begin + toward * one for one in way))

    astray, far = int(steps.ASTRAY_MM * per_mm), SETTINGS.travel
    going, seek = sought(rail, end, *places(-astray, far), monkeypatch=monkeypatch)
    assert seek() == 77
    assert not going.stops
    for way, told in ((-astray - 1, "went 3.0 mm away from"), (far + 1, "farther than the rail is long")):
        going, seek = sought(rail, end, *places(0, way, way, way), monkeypatch=monkeypatch)
        with pytest.raises(RunStopped, match=told):
            seek()
        assert going.stops


@pytest.mark.parametrize(
    ("ended", "error", "told"),
    [("missed", PositionLost, "did not answer within its bounds"), ("stopped", RunStopped, "ended early")],
)
def test_a_seek_that_ended_otherwise_found_nothing(rail, monkeypatch, ended, error, told):
    _, seek = sought(rail, "low", 64_000, 63_000, monkeypatch=monkeypatch, ended=ended)
    with pytest.raises(error, match=told):
        seek()


@pytest.mark.parametrize(
    ("end", "switch_at", "stands_at", "refused"),
    [
        ("low", None, SETTINGS.soft_low, False),
        ("low", None, SETTINGS.soft_low + 1, True),
        ("high", None, SETTINGS.soft_high, False),
        ("high", None, SETTINGS.soft_high - 1, True),
        ("low", 1600, 1600 + 3200, False),  # two millimetres of overtravel
        ("low", 1600, 1600 + 3201, True),
        ("high", 126_400, 126_400 - 3200, False),
        ("high", 126_400, 126_400 - 3201, True),
    ],
)
def test_a_switch_that_reads_hit_is_left_only_where_the_rail_stands_on_it(
    rail, monkeypatch, end, switch_at, stands_at, refused
):
    sought(rail, end, stands_at, monkeypatch=monkeypatch, hit=True)
    if refused:
        with pytest.raises(Refusal, match="does not stand there for certain"):
            steps.check_seek(rail, end, switch_at)
    else:
        steps.check_seek(rail, end, switch_at)


def test_a_controller_without_a_word_for_switches_seeks_none(rail, monkeypatch):
    monkeypatch.setattr(type(rail.controller), "switches", property(lambda _: None))
    with pytest.raises(Refusal) as refused:
        steps.find_switch(rail, "low")
    assert refused.value.code == "no_seek"
