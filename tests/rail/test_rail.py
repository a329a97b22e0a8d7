"""Moves: limits, take-up, verification, and what is told when a move does not end as it should."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stacker.driving.bring_up import go_by
from stacker.driving.steps import find_switch
from stacker.errors import LinkError, Refusal, RunStopped
from stacker.rail.controller import ShotState
from stacker.rail.line import STOP, STOP_AT_ONCE, LineController
from stacker.rail.link import Link, open_link
from stacker.rail.rail import PositionLost, Rail, RailSettings, Wish
from stacker.rail.shutter import Ambiguous, ManualShutter, RailShutter, ShutterSettings

SETTINGS = RailSettings(
    microsteps_per_mm=1600.0,
    microsteps_per_turn=3200,
    travel=128_000,
    soft_low=3200,
    soft_high=124_800,
    speed=4800,
    acceleration=24_000,
    take_up=30,
)


def rail_on(options="", **settings):
    controller = LineController(open_link(f"sim://x?time_scale=inf&{options}", 115_200))
    controller.connect()
    controller.take_over()
    rail = Rail(controller, replace(SETTINGS, **settings))
    controller.attend = rail.attend
    rail.set_up()
    return rail, controller._link._port.board


def moves(board):
    return [event["to"] for event in board.events if event["event"] == "start"]


def test_a_move_takes_its_predicted_time_and_is_verified():
    rail, _ = rail_on()
    rail.narrow(60_000, 70_000)
    before_s = rail.clock.now()
    rail.move(66_400)
    assert rail.arrived_s - before_s == pytest.approx(
        2400 / 4800 + 4800 / 24_000, rel=0.02
    )  # and the lines' time on the wire
    assert rail.clock.now() - rail.arrived_s < 0.05


def test_every_stop_is_approached_from_the_same_side():
    rail, board = rail_on()
    rail.narrow(60_000, 70_000)
    for position in (64_100, 64_200, 64_150, 64_300):
        rail.approach(position, 1)
    assert moves(board) == [64_070, 64_100, 64_200, 64_120, 64_150, 64_300]
    rail.approach(64_250, -1)
    rail.approach(64_200, -1)
    assert moves(board)[6:] == [64_280, 64_250, 64_200]


def test_without_backlash_there_is_no_take_up():
    rail, board = rail_on(take_up=0)
    rail.narrow(60_000, 70_000)
    for position in (64_100, 64_050, 64_050, 64_000):
        rail.approach(position, 1)
    assert moves(board) == [64_100, 64_050, 64_000]


def test_nothing_moves_when_target_or_take_up_is_outside():
    rail, board = rail_on()
    rail.narrow(64_000, 65_000)
    for position in (63_999, 65_001, 64_010):  # the last one is inside, its take-up is not
        with pytest.raises(Refusal, match="outside the limits"):
            rail.approach(position, 1)
    with pytest.raises(Refusal, match="outside the limits"):
        rail.narrow(63_000, 66_000)  # a range that is narrowed is not widened again
    assert moves(board) == []


def test_the_soft_limits_bound_the_range_itself():
    rail, _ = rail_on()
    with pytest.raises(Refusal, match=r"2\.000 to 78\.000 mm"):
        rail.narrow(3199, 5000)


def test_a_rail_that_stalls_in_time_but_not_in_place_is_given_up(monkeypatch):
    rail, board = rail_on("top_speed=50000")
    rail.narrow(10_000, 120_000)
    board.state.speed = 100  # as if somebody had told the controller to creep
    with pytest.raises(RunStopped, match="moves still") as late:
        rail.move(68_000)
    assert late.value.code == "late"
    rail.clock.sleep(1)
    assert rail.controller.where().resting


def test_a_count_that_differs_is_told():
    rail, _ = rail_on()
    rail.narrow(60_000, 70_000)
    where = rail.controller.where

    def off_by_one():
        told = where()
        return replace(told, position=told.position - 1) if told.ended == "arrived" else told

    rail.controller.where = off_by_one
    with pytest.raises(PositionLost, match="the counts differ"):
        rail.move(64_400)


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        ("high_switch=64300", "high", "limit switch at the high end"),
        ("supply=sensed&supply_off_at_s=0.4", "supply", "lost its supply"),
    ],
)
def test_a_move_that_hardware_ended_is_told_with_its_cause(options, code, words):
    rail, _ = rail_on(options)
    rail.narrow(60_000, 70_000)
    with pytest.raises(PositionLost, match=words) as lost:
        rail.move(66_400)
    assert lost.value.code == code
    with pytest.raises(RunStopped):
        rail.move(64_000)


def test_a_host_that_slept_is_told_that_the_deadman_stopped_the_rail():
    rail, _ = rail_on()
    rail.narrow(10_000, 120_000)
    asleep = rail.controller.where
    naps = iter([5.0])

    def where():
        rail.clock.sleep(next(naps, 0.0))
        return asleep()

    rail.here()
    rail.controller.where = where
    with pytest.raises(RunStopped, match="was it asleep") as stopped:
        rail.move(110_000)
    assert stopped.value.code == "deadman"
    assert not isinstance(stopped.value, PositionLost)
    assert rail.controller.where().known


def test_a_person_confirms_each_frame_by_hand():
    rail, _ = rail_on()
    asked = []
    shutter = ManualShutter(rail, lambda text: asked.append(text) or len(asked) < 2)
    assert shutter.next_shot(4) == 4
    assert shutter.outcome(4, shutter.fire(4, 64_000), 0.1) == "person"
    with pytest.raises(RunStopped, match="not confirmed"):
        shutter.outcome(5, shutter.fire(5, 64_000), 0.1)


def far(rail):
    rail.narrow(10_000, 120_000)
    rail.move(110_000)


@pytest.mark.parametrize("wish", [Wish.STOP, Wish.STOP_AT_ONCE])
@pytest.mark.parametrize("go", [far, lambda rail: find_switch(rail, "low")], ids=["move", "seek"])
def test_a_stop_byte_lost_on_the_line_is_sent_again(monkeypatch, wish, go):
    rail, board = rail_on("low_switch=8000")
    send, lost = Link.send, []

    def losing(link, data):
        if data in (STOP, STOP_AT_ONCE) and len(lost) < 2:
            lost.append(data)
        else:
            send(link, data)

    monkeypatch.setattr(Link, "send", losing)
    rail._wish = lambda: wish if moves(board) else Wish.GO_ON
    with pytest.raises(RunStopped, match="stopped by hand"):
        go(rail)
    assert len(lost) == 2
    assert 62_000 < board.hardware.counted() < 66_000


@pytest.mark.parametrize("go", [far, lambda rail: find_switch(rail, "low"), lambda rail: go_by(rail, -1600)])
def test_whatever_goes_wrong_while_it_moves_a_stop_is_sent(monkeypatch, go):
    """One direction of the line breaks: requests still feed the deadman, and nobody hears the answers."""
    rail, board = rail_on("low_switch=8000&position=" + ("known" if go is far else "unknown"))

    def deaf(link, deadline_s):
        link.clock.sleep(max(0.0, deadline_s - link.clock.now()))

    asked = LineController.where

    def where(controller):
        if moves(board):
            monkeypatch.setattr(Link, "read_line", deaf)
        return asked(controller)

    monkeypatch.setattr(LineController, "where", where)
    with pytest.raises(LinkError, match="no answer"):
        go(rail)
    rail.clock.sleep(0.1)  # three bytes on their way
    board.advance()
    assert [event["event"] for event in board.events if event["event"] in ("stop", "deadman")] == ["stop"] * 3


def test_a_shot_that_never_ends_is_in_doubt_after_a_while(monkeypatch):
    rail, _ = rail_on()
    rail.narrow(60_000, 70_000)
    monkeypatch.setattr(LineController, "shot", lambda _: ShotState(shot=1, over=False, cut=False, sync="waiting"))
    shutter = RailShutter(rail, ShutterSettings())
    began_s = rail.clock.now()
    with pytest.raises(Ambiguous, match="has not ended"):
        shutter.outcome(1, shutter.fire(1, 64_000), 0.1)
    assert rail.clock.now() - began_s < 4
