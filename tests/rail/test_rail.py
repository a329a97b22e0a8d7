"""Moves: limits, take-up, verification, and what is told when a move does not end as it should."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rails import SETTINGS

from stacker.driving.bring_up import go_by, go_to
from stacker.driving.steps import find_switch
from stacker.errors import LinkError, Refusal, RunStopped
from stacker.motion.frame_clock import Pace
from stacker.rail.controller import ControllerRefused, ShotState
from stacker.rail.line import STOP, STOP_AT_ONCE, LineController
from stacker.rail.link import Link, open_link
from stacker.rail.rail import Rail
from stacker.rail.shutter import LAST_SHOT, Ambiguous, ManualShutter, RailShutter
from stacker.rail.stops import Interrupted, PositionLost, StopOrder

PACE = Pace(settle_s=0.0, contact_s=0.2)


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
    # it counts as arrived when it has said so: by then two questions, an order and an answer of 40 to 50 bytes each
    # have been on the wire, 87 us a byte
    assert rail.arrived_s - before_s == pytest.approx(2400 / 4800 + 4800 / 24_000 + 4 * 45 * 87e-6, abs=2e-3)
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


@pytest.mark.parametrize(("low", "high"), [(3199, 5000), (5000, 124_801)])
def test_the_soft_limits_bound_the_range_itself_at_either_end(low, high):
    rail, _ = rail_on()
    with pytest.raises(Refusal, match=r"2\.000 to 78\.000 mm"):
        rail.narrow(low, high)
    assert rail.bounds == (3200, 124_800)


@pytest.mark.parametrize("order", [StopOrder.STOP, StopOrder.STOP_AT_ONCE])
def test_an_order_to_stop_is_sent_when_it_is_first_seen_and_once(monkeypatch, order):
    rail, _ = rail_on()
    sent = []
    monkeypatch.setattr(rail.controller, "stop", lambda *, at_once=False: sent.append(at_once))
    rail.attend()
    assert sent == []
    rail._stop_order = lambda: order
    rail.attend()
    rail.attend()
    assert sent == [order is StopOrder.STOP_AT_ONCE]


def test_play_is_taken_up_once_for_moves_in_one_direction_and_again_when_something_else_moved_the_rail():
    rail, board = rail_on()
    rail.narrow(60_000, 70_000)
    rail.move(64_100)
    rail.approach(64_200, 1)  # the move went that way: the play is taken up
    assert moves(board) == [64_100, 64_200]
    rail.forget()
    rail.approach(64_300, 1)
    assert moves(board)[2:] == [64_270, 64_300]
    rail.move(64_200)
    rail.approach(64_250, 1)  # and that one went the other way
    assert moves(board)[4:] == [64_200, 64_220, 64_250]


def test_a_rail_that_stalls_in_time_but_not_in_place_is_given_up(monkeypatch):
    rail, board = rail_on("top_speed=50000")
    rail.narrow(10_000, 120_000)
    board.state.speed = 100  # as if somebody had told the controller to creep
    with pytest.raises(RunStopped, match="is still moving") as late:
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


@pytest.mark.parametrize("stop_order", [StopOrder.STOP, StopOrder.STOP_AT_ONCE])
@pytest.mark.parametrize("go", [far, lambda rail: find_switch(rail, "low")], ids=["move", "seek"])
def test_a_stop_byte_lost_on_the_line_is_sent_again(monkeypatch, stop_order, go):
    rail, board = rail_on("low_switch=8000")
    send, lost = Link.send, []

    def losing(link, data):
        if data in (STOP, STOP_AT_ONCE) and len(lost) < 2:
            lost.append(data)
        else:
            send(link, data)

    monkeypatch.setattr(Link, "send", losing)
    rail._stop_order = lambda: stop_order if moves(board) else StopOrder.GO_ON
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
    shutter = RailShutter(rail, PACE)
    began_s = rail.clock.now()
    with pytest.raises(Ambiguous, match="has not ended"):
        shutter.outcome(1, shutter.fire(1, 64_000), 0.1)
    assert rail.clock.now() - began_s < 4


def test_a_shot_that_was_cut_proves_nothing_though_its_sync_contact_closed(monkeypatch):
    rail, _ = rail_on()
    monkeypatch.setattr(LineController, "shot", lambda _: ShotState(shot=1, over=True, cut=True, sync="closed"))
    shutter = RailShutter(rail, PACE, sync_s=0.3)
    with pytest.raises(Ambiguous, match="ended before its time"):
        shutter.outcome(1, shutter.fire(1, 64_000), 0.1)


def test_an_answer_for_another_shot_proves_nothing(monkeypatch):
    rail, _ = rail_on()
    monkeypatch.setattr(LineController, "shot", lambda _: ShotState(shot=2, over=True, cut=False, sync="closed"))
    shutter = RailShutter(rail, PACE, sync_s=0.3)
    with pytest.raises(Ambiguous, match="ended before its time"):
        shutter.outcome(1, shutter.fire(1, 64_000), 0.1)


def test_the_last_shot_number_of_all_is_still_given(monkeypatch):
    rail, _ = rail_on()
    last = rail.controller.shot()
    monkeypatch.setattr(rail.controller, "shot", lambda: replace(last, shot=LAST_SHOT - 1))
    assert RailShutter(rail, PACE).next_shot(1) == LAST_SHOT


def test_the_focus_contact_and_the_line_are_led_by_their_time():
    rail, _ = rail_on()
    assert RailShutter(rail, replace(PACE, focus_s=0.7)).lead_s() == pytest.approx(rail.controller.lead_s + 0.7)


def test_a_stop_while_the_contacts_are_closed_still_ends_the_waiting_for_them(monkeypatch):
    rail, _ = rail_on()

    def busy(*_):
        rail._stop_order = lambda: StopOrder.STOP
        raise ControllerRefused("busy", "", "its contacts are closed")

    monkeypatch.setattr(rail.controller, "fire", busy)
    with pytest.raises(Interrupted):
        RailShutter(rail, PACE).fire(1, 64_000)


def test_a_controller_without_a_shot_number_left_is_refused_before_anything_fires():
    rail, board = rail_on()
    board.state.shot = 0xFFFFFFFF
    with pytest.raises(Refusal, match="Switch it off and on"):
        RailShutter(rail, PACE).next_shot(1)


def test_a_rail_that_arrives_and_no_longer_knows_where_it_is_has_lost_its_position(monkeypatch):
    """It may count the very number that was ordered: who lost its position counts from nowhere."""
    rail, _ = rail_on()
    rail.narrow(60_000, 70_000)
    asked = LineController.where
    monkeypatch.setattr(LineController, "where", lambda controller: replace(asked(controller), known=False))
    with pytest.raises(PositionLost):
        rail.move(64_400)


def test_a_rail_that_never_comes_to_rest_is_stopped_at_once(monkeypatch):
    rail, _ = rail_on()
    sent = []
    monkeypatch.setattr(Link, "send", lambda link, data, send=Link.send: (sent.append(data), send(link, data)))
    asked = LineController.where
    monkeypatch.setattr(LineController, "where", lambda controller: replace(asked(controller), resting=False))
    began_s = rail.clock.now()
    assert rail.come_to_rest() is None
    assert sent[-1] == STOP_AT_ONCE
    assert 2 <= rail.clock.now() - began_s < 3  # the deceleration, a tenth more, and the page's margin of 2 s


def test_an_order_that_is_answered_for_another_shot_is_in_doubt(monkeypatch):
    rail, _ = rail_on()
    answer = ShotState(shot=7, over=False, cut=False, sync="waiting")
    monkeypatch.setattr(LineController, "fire", lambda *_: answer)
    with pytest.raises(Ambiguous, match="shot 7 instead of 1"):
        RailShutter(rail, PACE).fire(1, 64_000)


@pytest.mark.parametrize(("bulb", "held_s", "counts"), [(True, 1.05, True), (True, 1.2, False), (False, 1.2, True)])
def test_a_contact_that_was_held_a_tenth_too_long_on_b_proves_no_exposure(monkeypatch, bulb, held_s, counts):
    rail, _ = rail_on()
    shutter = RailShutter(rail, replace(PACE, bulb=bulb))
    shutter.prepare(1.0)
    answer = ShotState(shot=1, over=True, cut=False, sync="closed", closed_s=3.0, held_s=held_s)
    monkeypatch.setattr(LineController, "fire", lambda *_: answer)
    if counts:
        assert shutter.fire(1, 64_000) == 3.0
    else:
        with pytest.raises(Ambiguous):
            shutter.fire(1, 64_000)


def test_a_controller_that_cannot_stop_a_move_is_sent_pieces_of_it():
    rail, board = rail_on()
    rail.narrow(60_000, 75_000)
    rail.controller.longest_move_s = 1.0
    # by hand: 0.2 s each to gain and lose 4800 microsteps/s, 480 microsteps each, and 0.6 s between, 2880
    rail.move(72_000)
    rail.move(68_160)
    assert moves(board) == [67_840, 71_680, 72_000, 68_160]
    assert rail.settings.longest_way(1.0) == 3840
    assert rail.settings.longest_way(1e-9) == 1  # it goes on, however little


def test_a_wish_to_stop_between_pieces_ends_the_move_there():
    rail, board = rail_on()
    rail.narrow(60_000, 75_000)
    rail.controller.longest_move_s = 1.0
    rail._stop_order = lambda: StopOrder(bool(moves(board)))
    with pytest.raises(Interrupted):
        rail.move(72_000)
    assert len(moves(board)) == 1


def test_after_an_obeyed_stop_a_renewed_rail_moves_again_and_obeys_again():
    rail, board = rail_on()
    run_options = [StopOrder.STOP]
    rail._stop_order = lambda: run_options[-1]
    with pytest.raises(Interrupted):
        rail.move(64_400)
    assert not moves(board)
    run_options.append(StopOrder.GO_ON)
    with pytest.raises(Interrupted):
        rail.move(64_400)  # a stop is not taken back
    rail.controller.clear()
    fresh = rail.renewed()
    assert fresh.bounds == (SETTINGS.soft_low, SETTINGS.soft_high)
    fresh.narrow(60_000, 70_000)
    fresh.move(64_400)
    assert moves(board) == [64_400]
    run_options.append(StopOrder.STOP)
    rail.controller.attend()
    assert fresh.stopping


def test_a_refusal_is_told_as_what_happened():
    rail, _ = rail_on()
    refusal = ControllerRefused("range", "", "it said no.")
    assert rail.error_behind(refusal) is refused_as(rail, refusal, LinkError)
    lost = refused_as(rail, ControllerRefused("place", "", "it said no."), PositionLost)
    assert str(lost) == "it said no."
    stopped = refused_as(rail, ControllerRefused("stopped", "", "it said no."), RunStopped)
    assert not isinstance(stopped, PositionLost)
    rail._stop_order = lambda: StopOrder.STOP  # it overtook the request
    refused_as(rail, refusal, Interrupted)


def refused_as(rail, refusal, kind):
    told = rail.error_behind(refusal)
    assert isinstance(told, kind)
    return told


# ------------------------------------------------------------------------------------------------------- seeking


def refused(rail, end="low", switch_at=None):
    with pytest.raises(Refusal) as told:
        find_switch(rail, end, switch_at)
    assert told.value.code == "switch_hit"
    return str(told.value)


@pytest.mark.parametrize("end", ["low", "high"])
@pytest.mark.parametrize("position", ["known", "unknown"])
def test_a_switch_that_reads_hit_in_mid_travel_is_not_sought(end, position):
    rail, board = rail_on(f"position={position}&low_switch=1600&high_switch=126400&{end}_wire=cut")
    told = refused(rail, end)
    assert "cut wire" in told
    assert f"'stacker rail move', {'+1' if end == 'low' else '-1'} mm" in told
    assert moves(board) == []


def test_a_switch_that_reads_hit_where_the_count_has_it_is_left_and_sought():
    rail, board = rail_on("low_switch=1600&start=1590")
    assert find_switch(rail, "low") == 1601
    assert max(moves(board)) <= 1590 + 3200  # the soft limit lies beyond


@pytest.mark.parametrize(("start", "sought"), [(1500 + 3199, True), (1500 + 3201, False)])
def test_where_the_place_of_the_switch_is_known_the_rail_stands_on_it_within_its_overtravel(start, sought):
    rail, board = rail_on(f"low_switch=6000&start={start}", soft_low=100)
    if sought:
        find_switch(rail, "low", 1500)
    else:
        refused(rail, "low", 1500)
        assert moves(board) == []


@pytest.mark.parametrize("end", ["low", "high"])
def test_a_wire_cut_in_mid_seek_ends_it_within_its_overtravel(end):
    rail, board = rail_on(f"low_switch=1600&high_switch=126400&{end}_cut_at_s=5")
    with pytest.raises(PositionLost, match="never closed again") as lost:
        find_switch(rail, end)
    assert lost.value.code == "missed"
    way = -1 if end == "low" else 1
    farthest = max((event["counted"] - 64_000) * way for event in board.events if event["event"] == "rest")
    assert board.hardware.counted() == 64_000 + way * (farthest - 3200)
    assert board.state.latched


def test_a_seek_that_runs_the_wrong_way_is_stopped(monkeypatch):
    """A controller that keeps no bound of its own."""

    def astray(controller, end):
        controller.set_limits(0, 128_000)
        controller.start_move(120_000)

    monkeypatch.setattr(LineController, "seek", astray)
    rail, board = rail_on("low_switch=1600")
    with pytest.raises(RunStopped) as stopped:
        find_switch(rail, "low")
    assert stopped.value.code == "seek_wrong_way"
    rail.come_to_rest()
    # 3 mm, what it goes in the half second between two questions at 3 mm/s, and to brake
    assert board.hardware.counted() < 64_000 + 1600 * (3 + 1.5 + 0.5)


def test_a_seek_farther_than_the_rail_is_long_is_stopped():
    rail, board = rail_on("low_switch=1600&low_wire=bridged", travel=16_000)
    with pytest.raises(RunStopped) as stopped:
        find_switch(rail, "low")
    assert stopped.value.code == "seek_too_far"
    rail.come_to_rest()
    assert 64_000 - 16_000 - 1600 < board.hardware.counted() < 64_000 - 16_000


def test_a_seek_is_given_up_after_the_time_that_the_page_allows(monkeypatch):
    def crawl(controller, end):
        controller.ask("speed", 100)
        controller.set_limits(0, 128_000)
        controller.start_move(0)

    monkeypatch.setattr(LineController, "seek", crawl)
    rail, _ = rail_on("low_switch=1600")
    began_s = rail.clock.now()
    with pytest.raises(RunStopped) as stopped:
        find_switch(rail, "low")
    assert stopped.value.code == "late"
    # protocol page, section 9: 4 s a millimetre of travel, 128 s for the overtravel, and 2 s
    assert rail.clock.now() - began_s == pytest.approx(4 * 80 + 128 + 2, abs=1)


def test_a_rail_on_a_switch_outside_its_soft_limits_creeps_off_it():
    rail, board = rail_on("low_switch=1600&start=1500")
    with pytest.raises(Refusal, match="by at most 1 mm"):
        go_by(rail, 1601)
    with pytest.raises(RunStopped, match="switch"):
        go_to(rail, 40_000)
    assert moves(board) == []
    assert go_by(rail, 1600) == 3100
    assert go_to(rail, 40_000) == 40_000
