"""Lost steps: how far off the switch may be found, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from driving.runs import make_job
from rails import SETTINGS

from stacker.documents.rail_link import Link
from stacker.driving import steps
from stacker.driving.bench import connect
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
