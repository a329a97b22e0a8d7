"""Shutter, focus and flash-sync contacts of the simulated board, measured at the pins."""

from __future__ import annotations

import pytest
from firmware.bench import Host, SimulatedBoard

pytestmark = pytest.mark.campaign

TICK_S = 0.0002  # the tick of 0.1 ms in which an order falls, and the one in which it ends


@pytest.mark.parametrize(("closed_ms", "focus_ms"), [(1, 0), (200, 0), (50, 300), (1500, 20)])
def test_contacts_close_in_order_and_for_their_time(
    board: SimulatedBoard, host: Host, closed_ms: int, focus_ms: int
) -> None:
    host.ready()
    host.order(f"shutter {closed_ms} {focus_ms}", "watch 0 0")
    board.forget()
    assert host.ask("fire 1 0")[1:] == ["1", "firing", "unwired"]
    board.run_for((closed_ms + focus_ms) / 1000 + 0.01)
    (focus_on, focus_off), (on, off) = board.log("focus"), board.log("shutter")
    assert [event.value for event in (focus_on, focus_off, on, off)] == [1, 0, 1, 0]
    assert on.time_s - focus_on.time_s == pytest.approx(focus_ms / 1000, abs=TICK_S)
    assert off.time_s - on.time_s == pytest.approx(closed_ms / 1000, abs=TICK_S)
    assert focus_off.time_s == pytest.approx(off.time_s, abs=1e-5)
    assert host.ask("shot")[1:] == ["1", "fired", "unwired"]


def test_a_shot_number_fires_once(board: SimulatedBoard, host: Host) -> None:
    host.ready()
    host.order("fire 7 0")
    assert host.shot_done() == ["7", "fired", "unwired"]
    assert host.ask("fire 7 0") == ["ok", "7", "fired", "unwired"]
    assert host.ask("fire 6 0") == ["no", "shot", "7"]
    assert [event.value for event in board.log("shutter")].count(1) == 1


def test_refused_shots_close_nothing_and_use_up_no_number(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 5")
    host.ready(speed=500)
    board.forget()
    assert host.ask("fire 1 1") == ["no", "place"]
    host.order("deadman 60000", "move 2000")
    assert host.ask("fire 1 0") == ["no", "busy"]
    assert host.rest()[2] == "arrived"
    host.order("hold off")
    assert host.ask("fire 1 2000") == ["no", "unheld"]
    host.order("hold on")
    assert host.ask("fire 1 2000") == ["no", "lost"]
    assert board.log("shutter") == []
    host.order("declare 2000", "fire 1 2000")
    assert host.shot_done()[1] == "fired"


def test_nothing_moves_while_a_shot_is_in_progress(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 1")
    host.ready()
    host.order("shutter 50 0", "watch 900 0", "fire 1 0")
    for request in ("move 100", "jog 100", "seek low", "speed 100", "hold off", "declare 0", "limits 0 1", "clear"):
        assert host.ask(request) == ["no", "busy"], request
    assert host.shot_done()[1] == "fired"
    assert board.log("step") == []
    host.order("move 100")
    assert host.rest()[2] == "arrived"
    # The first pulse came only after BUSY had passed, counted from the closing of the contact.
    closed = next(event for event in board.log("shutter") if event.value)
    assert board.log("step")[0].time_s - closed.time_s > 0.9


def test_the_rail_may_move_while_the_contact_is_still_closed(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 1")
    host.ready(speed=2000)
    host.order("shutter 1000 0", "watch 20 0", "fire 1 0")
    assert host.shot_done()[1] == "fired"
    host.order("move 500")
    assert host.rest()[2] == "arrived"
    assert host.ask("fire 2 500") == ["no", "busy"]
    board.run_for(1.0)
    host.order("fire 2 500")


@pytest.mark.parametrize(
    ("delay_us", "width_us", "outcome"),
    [
        (40_000, 4000, "closed"),
        (0, 400, "closed"),
        (40_000, 30, "open"),  # shorter than a tick: a spike
        (600_000, 4000, "open"),  # after the window
        (0, 0, "open"),
    ],
)
def test_the_sync_contact_is_the_evidence(
    board: SimulatedBoard, host: Host, delay_us: int, width_us: int, outcome: str
) -> None:
    board.do(f"camera {delay_us} {width_us}")
    host.ready()
    host.order("watch 100 500")
    assert host.ask("fire 1 0")[1:] == ["1", "firing", "waiting"]
    assert host.shot_done() == ["1", "fired", outcome]


def test_a_sync_contact_that_is_stuck_closed_proves_nothing(board: SimulatedBoard, host: Host) -> None:
    board.do("sync closed")
    host.ready()
    host.order("watch 100 300", "fire 1 0")
    assert host.shot_done() == ["1", "fired", "stuck"]


def test_a_stop_at_once_opens_the_contacts_and_cuts_the_shot(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 5")
    host.ready()
    host.order("shutter 5000 0", "watch 5000 1000", "fire 1 0")
    host.send(b"\x98" * 3)
    board.run_for(0.01)
    assert host.ask("shot")[1:] == ["1", "cut", "open"]
    assert board.log("shutter")[-1].value == 0
    assert host.where() == ["rest", "known", "0", "none"]  # at rest nothing is lost
    assert host.ask("fire 2 0") == ["no", "stopped"]


def test_a_stop_lets_the_exposure_end_as_set(board: SimulatedBoard, host: Host) -> None:
    host.ready()
    host.order("shutter 300 0", "watch 300 0")
    board.forget()
    host.order("fire 1 0")
    host.send(b"\x8e" * 3)
    board.run_for(0.35)
    on, off = board.log("shutter")
    assert off.time_s - on.time_s == pytest.approx(0.3, abs=TICK_S)
    assert host.ask("shot")[1:] == ["1", "fired", "unwired"]
    assert host.ask("state")[-1] == "stopped"


def test_a_new_session_slows_the_rail_and_opens_the_contacts(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 10")
    host.ready(speed=2000)
    host.order("shutter 60000 0", "watch 10 0", "fire 1 0")
    host.shot_done()
    host.order("move 50000")
    other = Host(board.port, session=0x0BADCAFE)
    other.open()
    trust, position, ended = other.rest()
    assert (trust, ended) == ("known", "stop")
    assert int(position) == len(board.log("step")) < 50_000
    assert other.ask("state")[4:] == ["held", "void", "clear"]
    assert board.log("shutter")[-1].value == 0
    assert host.ask("move 0") == ["no", "session", "0BADCAFE"]
    other.close()
