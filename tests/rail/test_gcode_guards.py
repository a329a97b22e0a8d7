"""What a controller of words is never told, and what is believed of it: against a script that takes every line."""

from __future__ import annotations

import math

import pytest
from rail.scripted import ScriptedLines
from rail.test_gcode import PER_MM, QUERY, WORDS

from stacker.errors import Refusal
from stacker.motion.move_time import move_time_s
from stacker.rail.acknowledged import QUIET_S
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.gcode import SLICE_S, GcodeController
from stacker.rail.gcode_moves import PLACE_S

SPEED, ACCELERATION = 4800, 24_000


class Willing(ScriptedLines):
    """Takes whatever it is told; asked for its place, says the one of the test."""

    place = "40"

    def send(self, data: bytes) -> None:
        super().send(data)
        self.coming.extend(["at " + self.place + " mm"] if self.sent[-1] == "where?" else [])
        self.coming.append(WORDS.acknowledge[0])


def controller(words=WORDS):
    link = Willing()
    one = GcodeController(link, words, microsteps_per_mm=PER_MM)
    one.configure(speed=SPEED, acceleration=ACCELERATION, deadman_s=2.0)
    one.declare(64_000)
    one.set_limits(60_000, 68_000)
    one.set_shutter(pulse_s=0.2, focus_s=0.0, sync_s=0.0)
    link.sent.clear()
    return link, one


def refused(link, action, *arguments) -> str:
    with pytest.raises(ControllerRefused) as told:
        action(*arguments)
    assert link.sent == []
    return told.value.reason


def test_a_shot_is_made_once():
    link, one = controller()
    one.set_busy(0.1)
    one.fire(3, 64_000)
    assert [line for line in link.sent if line != "G21"] == ["M9", "M8", "M9"]
    link.sent.clear()
    assert refused(link, one.fire, 3, 64_000) == "shot"
    assert refused(link, one.fire, 2, 64_000) == "shot"
    one.set_busy(0.1)
    one.fire(4, 64_000)


def test_nothing_is_fired_elsewhere_nor_while_it_moves_nor_where_nobody_knows():
    link, one = controller()
    assert refused(link, one.fire, 1, 64_001) == "place"
    one.start_move(64_100)
    link.sent.clear()
    assert refused(link, one.fire, 1, 64_100) == "place"
    assert refused(link, one.fire, 1, 64_000) == "place"
    lost = GcodeController(link, WORDS, microsteps_per_mm=PER_MM)
    assert refused(link, lost.fire, 1, 0) == "place"


def test_no_move_is_begun_before_the_one_under_way_has_ended_or_without_a_place():
    link, one = controller()
    one.start_move(64_100)
    assert link.sent == ["G92 X40", "G1 X40.0625 F180"]
    link.sent.clear()
    assert refused(link, one.start_move, 64_200) == "busy"
    lost = GcodeController(link, WORDS, microsteps_per_mm=PER_MM)
    lost.set_limits(60_000, 68_000)
    assert refused(link, lost.start_move, 64_000) == "lost"


@pytest.mark.parametrize(
    ("stands", "target", "sent"),
    [
        (64_000, 60_000, True),
        (64_000, 59_999, False),
        (64_000, 68_000, True),
        (64_000, 68_001, False),
        (59_000, 59_500, True),  # from outside inward
        (59_000, 58_500, False),
        (59_000, 68_001, False),
        (69_000, 68_500, True),
        (69_000, 69_500, False),
        (69_000, 59_999, False),
    ],
)
def test_moves_keep_the_limits_and_from_outside_only_come_in(stands, target, sent):
    link, one = controller()
    one.declare(stands)
    one.set_limits(60_000, 68_000)
    link.sent.clear()
    if sent:
        one.start_move(target)
        assert len(link.sent) == 2
        return
    with pytest.raises(Refusal, match="limits of this run are 60000 to 68000"):
        one.start_move(target)
    assert link.sent == []


def test_without_limits_nothing_moves():
    link, one = controller()
    one.declare(0)
    link.sent.clear()
    for position in (0, 1):
        with pytest.raises(Refusal, match="not set"):
            one.start_move(position)
    assert link.sent == []


def test_a_move_counts_as_ended_after_its_time_and_the_margin():
    link, one = controller()
    began_s = link.clock.now()
    one.start_move(66_400)
    took_s = move_time_s(2400, speed_mm_s=SPEED, acceleration_mm_s2=ACCELERATION) + WORDS.arrival_margin_s
    due_s = began_s + took_s
    while not (where := one.where()).resting:
        assert (where.position, where.known) == (64_000, True)
        link.clock.sleep(0.01)
    assert due_s <= link.clock.now() < due_s + 0.02
    assert (where.position, where.known, where.ended) == (66_400, True, "arrived")


def test_a_place_that_is_told_late_is_waited_for_and_another_is_believed():
    link, one = controller(QUERY)
    one.start_move(64_160)
    link.place = "40.05"
    due_s = one._due_s
    link.clock.sleep(due_s - link.clock.now())
    while not (where := one.where()).resting:
        link.clock.sleep(0.01)
    assert due_s + PLACE_S <= link.clock.now() < due_s + PLACE_S + 0.1
    assert where.position == 64_080  # 40.05 mm at 1600 microsteps a mm
    link.place = "41"
    with pytest.raises(ControllerReset, match=r"says 41 mm where the rail was left at 40.0500 mm"):
        one.start_move(64_160)


def test_while_the_contact_is_held_others_are_attended_to_and_a_reset_is_heard():
    link, one = controller()
    one.set_shutter(pulse_s=1.0, focus_s=0.0, sync_s=0.0)
    one.set_busy(0.4)
    looks = []
    one.attend = lambda: looks.append(link.clock.now())
    began_s = link.clock.now()
    state = one.fire(1, 64_000)
    assert len(looks) >= 1.0 / SLICE_S
    assert state.held_s == pytest.approx(link.clock.now() - began_s)
    assert 1.0 <= state.held_s < 1.0 + 2 * SLICE_S
    assert (state.closed_s, state.cut, state.sync) == (began_s, False, "unwired")
    assert "G21" in link.sent[2:-1]  # asked every tenth of a second whether it is still there


def test_a_shot_is_in_progress_for_as_long_as_was_said():
    link, one = controller()
    one.set_busy(0.75)
    assert not one.fire(1, 64_000).over
    closed_s = one.shot().closed_s
    link.clock.sleep(closed_s + 0.75 - link.clock.now() - 1e-6)
    assert not one.shot().over
    link.clock.sleep(2e-6)
    assert one.shot().over


def test_a_first_shot_was_never_made_and_the_port_is_let_go():
    link, one = controller()
    assert one.shot().closed_s == -math.inf
    assert one.shot().over
    gone = []
    link.close = lambda: gone.append(True)
    one.close()
    assert gone


def test_the_motor_is_never_let_go():
    link, one = controller()
    one.hold(on=True)
    assert refused(link, lambda: one.hold(on=False)) == "hold"


def test_who_was_silent_for_a_while_is_asked_and_at_rest_its_place_is_compared():
    link, one = controller(QUERY)
    one.where()
    assert link.sent == []
    link.clock.sleep(QUIET_S)
    one.where()
    assert link.sent == ["where?"]
    link.place = "41"
    link.clock.sleep(QUIET_S)
    with pytest.raises(ControllerReset, match="was reset or moved by somebody else"):
        one.where()


@pytest.mark.parametrize(("words", "question"), [(WORDS, "G21"), (QUERY, "where?")], ids=["mode", "place"])
def test_in_mid_move_it_is_asked_too_and_no_place_is_wrong(words, question):
    link, one = controller(words)
    one.start_move(66_400)
    link.sent.clear()
    link.place = "40.7"
    link.clock.sleep(QUIET_S)
    assert not one.where().resting
    assert link.sent == [question]


def test_after_a_refusal_in_mid_move_the_longest_move_is_waited_out():
    link, one = controller()
    one.start_move(66_400)
    link.clock.sleep(QUIET_S)
    link.coming.append("bad luck")
    with pytest.raises(ControllerRefused, match="said unasked: bad luck"):
        one.where()
    lost_s = link.clock.now()
    while not (where := one.where()).resting:
        assert not where.known
        link.clock.sleep(0.02)
    longest_s = WORDS.piece_s + WORDS.arrival_margin_s
    assert lost_s + longest_s <= link.clock.now() < lost_s + longest_s + 0.03
    assert (where.known, where.ended) == (False, "none")
