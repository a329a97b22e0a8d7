"""Single moves: where the rail really came to is looked at, and what cannot creep says so."""

from __future__ import annotations

import pytest
from rail.gcode_board import Board
from rail.test_gcode import ready
from rails import SETTINGS

from stacker.documents.rail_link import Link
from stacker.driving.bench import connect
from stacker.driving.bring_up import by, creep, find, go_by
from stacker.errors import Refusal
from stacker.rail.controller import ControllerRefused
from stacker.rail.stops import PositionLost, StopOrder


@pytest.fixture
def rail_of():
    opened = []

    def rail_of(options):
        rail, _ = connect(Link(url=f"sim://bench?time_scale=inf{options}"), SETTINGS, lambda: StopOrder.GO_ON)
        opened.append(rail)
        return rail

    yield rail_of
    for rail in opened:
        rail.controller.close()


def test_a_lost_rail_that_creeps_into_a_switch_did_not_arrive(rail_of):
    rail = rail_of("&position=unknown&start=64000&high_switch=64100")
    with pytest.raises(PositionLost, match="the rail stopped before"):
        go_by(rail, 800)
    rail = rail_of("&position=unknown&start=64000&high_switch=66000")
    assert go_by(rail, 800) == rail.controller.where().position


def test_a_creeping_rail_that_says_it_rests_elsewhere_did_not_arrive(rail_of):
    rail = rail_of("&position=unknown")
    here = rail.controller.where().position
    rail.controller.hold(on=True)
    jog, asked = rail.controller.jog, []
    rail.controller.jog = lambda target: (asked.append(target), jog(target - 16))
    with pytest.raises(PositionLost, match=f"stopped before {here + 160} microsteps"):
        creep(rail, here + 160)
    assert asked == [here + 160]


def test_a_controller_without_a_slow_word_moves_no_lost_rail():
    rail = ready(Board())
    rail.controller._known = False
    with pytest.raises(Refusal) as refused:
        by(rail, 16)
    assert refused.value.code == "no_jog"
    with pytest.raises(Refusal, match="by at most 1 mm at a time"):
        by(rail, 16_000)


def test_a_seek_that_is_refused_for_another_reason_says_that_one(rail_of, monkeypatch):
    rail = rail_of("&low_switch=1600")

    def busy(*_):
        raise ControllerRefused("busy", "", "refused 'seek': busy")

    monkeypatch.setattr("stacker.driving.bring_up.find_switch", busy)
    with pytest.raises(ControllerRefused, match="busy"):
        find(rail, "low", 1600)
    monkeypatch.setattr(
        "stacker.driving.bring_up.find_switch",
        lambda *_: (_ for _ in ()).throw(ControllerRefused("switch", "", "refused 'seek': switch")),
    )
    with pytest.raises(Refusal, match="A rail without a low switch"):
        find(rail, "low", 1600)
