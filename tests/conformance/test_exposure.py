"""Section 7 of the protocol page: one exposure."""

from __future__ import annotations

import pytest
from conformance.bench import STOP, STOP_AT_ONCE, Asker

TICK_S = 0.002  # contacts move on the controller's millisecond: one for each end
CLOCK = 0.001  # the firmware counts milliseconds with a timer that divides the clock evenly; this bounds its rounding


def closings(board, name="shutter"):
    return [time_s for time_s, what, closed in board.edges() if what == name and closed]


def openings(board, name="shutter"):
    return [time_s for time_s, what, closed in board.edges() if what == name and not closed]


def test_before_any_shot(host):
    host.open()
    assert host.ok("shot") == "0 none waiting"


def test_a_shot_closes_focus_then_shutter_and_opens_both(host, board):
    host.ready()
    host.ok("shutter 150 300", "watch 100 0")
    assert host.ok("fire 1 0") == "1 firing unwired"
    board.wait(1.0)
    assert host.ok("shot") == "1 fired unwired"
    (focus_s,), (shutter_s,) = closings(board, "focus"), closings(board)
    assert shutter_s - focus_s == pytest.approx(0.300, abs=TICK_S)
    assert openings(board)[-1] - shutter_s == pytest.approx(0.150, abs=TICK_S)
    assert openings(board, "focus")[-1] - shutter_s == pytest.approx(0.150, abs=TICK_S)


def test_the_sync_contact_tells(host, board):
    host.ready()
    host.ok("shutter 100 0", "watch 50 400")
    assert host.ok("fire 1 0") in ("1 firing waiting", "1 firing closed")
    assert host.shot_over() == ["1", "fired", "closed"]
    board.camera(answers=False)
    board.wait(0.5)
    host.ok("fire 2 0")
    assert host.shot_over() == ["2", "fired", "open"]
    assert len(closings(board)) == 2


def test_a_sync_contact_that_is_closed_all_the_time_is_told_from_one_that_stays_open(host, board):
    """An edge counts: only a contact that was open can close."""
    board.stick_sync()
    host.ready()
    host.ok("shutter 100 0", "watch 50 400", "fire 1 0")
    assert host.shot_over() == ["1", "fired", "stuck"]
    host.ok("watch 50 0", "fire 2 0")
    assert host.shot_over() == ["2", "fired", "unwired"]


def test_after_the_last_shot_number_none_fires_until_a_reset(host, board):
    host.ready()
    host.ok("fire 4294967295 0")
    assert host.shot_over()[:2] == ["4294967295", "fired"]
    for shot in (1, 4294967294):
        assert host.ask(f"fire {shot} 0") == "no shot 4294967295"
    assert host.ask("fire 4294967296 0") == "no range"
    board.reset()
    board.wait(2.5)
    after = Asker(board, "0000CAFE")
    after.ready()
    assert after.ok("fire 1 0").startswith("1 firing")


def test_a_shot_number_fires_once_and_asking_again_tells_its_state(host, board):
    host.ready()
    host.ok("watch 50 0", "fire 7 0")
    board.wait(1.0)
    assert host.ok("fire 7 0") == "7 fired unwired"
    assert host.ok("fire 7 123") == "7 fired unwired"
    assert host.ask("fire 6 0") == "no shot 7"
    assert len(closings(board)) == 1


def test_shot_numbers_outlive_the_session_and_not_the_reset(host, board):
    host.ready()
    host.ok("fire 7 0")
    board.wait(1.0)
    second = Asker(board, "0000BEEF")
    second.open()
    assert second.ask("fire 5 0") == "no shot 7"
    assert second.ok("fire 7 0").startswith("7 fired")
    assert len(closings(board)) == 1
    board.reset()
    board.wait(2.5)
    third = Asker(board, "0000CAFE")
    third.open()
    assert third.ok("shot").startswith("0 none")


def test_firing_names_the_place(host):
    host.ready(10)
    assert host.ask("fire 1 11") == "no place"
    assert host.ok("fire 1 10").startswith("1 firing")  # a refused shot does not use up its number


def test_nothing_moves_while_a_shot_is_in_progress(host, board):
    host.ready()
    host.ok("shutter 50 0", "watch 3000 0", "fire 1 0")
    for verb in ("move 10", "jog 10", "seek low", "fire 2 0", "watch 1 1", "declare 5", "hold off", "clear"):
        assert host.ask(verb) == "no busy", verb
    board.wait(3.1)
    host.ok("move 10")
    assert host.rest()[1] == "10"


def test_the_rail_may_leave_while_the_contact_is_still_closed(host, board):
    host.ready()
    host.ok("shutter 4000 0", "watch 50 0", "fire 1 0")
    board.wait(0.1)
    host.ok("move 10")
    assert host.rest()[1] == "10"
    assert host.ask("fire 2 10") == "no busy"
    board.wait(4.0)
    host.ok("fire 2 10")


def test_a_gentle_stop_lets_a_shot_end_as_set(host, board):
    host.ready()
    host.ok("shutter 300 0", "watch 300 0", "fire 1 0")
    host.send(STOP)
    board.wait(1.0)
    assert host.ok("shot") == "1 fired unwired"
    assert openings(board)[-1] - closings(board)[0] == pytest.approx(0.3, abs=TICK_S)
    assert host.ask("fire 2 0") == "no stopped"


def test_a_stop_at_once_cuts_a_shot(host, board):
    host.ready()
    host.ok("shutter 3000 0", "watch 3000 0", "fire 1 0")
    board.wait(0.1)
    host.send(STOP_AT_ONCE)
    assert host.ok("shot") == "1 cut unwired"
    assert host.where()[1] == "known"
    assert len(openings(board)) == 1


def test_opening_a_session_cuts_a_shot(host, board):
    host.ready()
    host.ok("shutter 60000 0", "watch 60000 0", "fire 1 0")
    second = Asker(board, "0000BEEF")
    second.open()
    assert second.ok("shot").startswith("1 cut")
    assert len(openings(board)) == 1


def test_the_deadman_releases_a_shutter_nobody_asks_about(host, board):
    host.ready()
    host.ok("deadman 400", "shutter 60000 0", "watch 60000 0", "fire 1 0")
    board.wait(2.0)
    assert host.ok("shot").startswith("1 cut")
    assert host.where()[:2] == ["rest", "known"]
    assert len(openings(board)) == 1


def test_a_long_exposure_survives_the_deadman_when_somebody_asks(host, board):
    host.ready()
    host.ok("deadman 5000", "shutter 20000 0", "watch 20000 0", "fire 1 0")
    while host.ok("shot").split(" ")[1] == "firing":
        board.wait(0.5)
    assert host.ok("shot") == "1 fired unwired"
    assert openings(board)[-1] - closings(board)[0] == pytest.approx(20.0, rel=CLOCK)


def test_a_reset_releases_the_shutter(host, board):
    host.ready()
    host.ok("shutter 60000 0", "watch 60000 0", "fire 1 0")
    board.wait(0.1)
    board.reset()
    board.wait(2.5)
    assert len(openings(board)) >= 1


def test_loss_of_supply_cuts_a_shot(host, board):
    host.ready()
    host.ok("shutter 60000 0", "watch 60000 0", "fire 1 0")
    board.supply(on=False)
    board.wait(0.05)
    assert host.ok("shot").startswith("1 cut")
    assert len(openings(board)) == 1
