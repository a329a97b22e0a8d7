import re
from dataclasses import replace

import pytest
from driving.runs import gcode_link
from hypothesis import given
from hypothesis import strategies as st
from rail.gcode_board import GREETING, Board, Faults
from rails import SETTINGS

from stacker.driving.jog import Jog
from stacker.errors import LinkError, Refusal
from stacker.motion.frame_clock import Pace
from stacker.rail.acknowledged import NotAcknowledged
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.gcode import GcodeController
from stacker.rail.link import Link
from stacker.rail.rail import Rail
from stacker.rail.settings import RailSettings
from stacker.rail.shutter import Ambiguous, RailShutter
from stacker.rail.stops import Interrupted, PositionLost, StopOrder

PER_MM = SETTINGS.microsteps_per_mm
PACE = Pace(settle_s=0.0, contact_s=0.2)
WORDS = gcode_link(refuse=("bad",), greeting=(GREETING,))
QUERY = replace(WORDS, position_query="where?", position_reply="at {mm} mm")


def ready(board, words=WORDS, stop_order=lambda: StopOrder.GO_ON):
    """A rail at 40 mm whose controller is connected and knows it."""
    controller = GcodeController(Link(board, board.clock, longest=512), words, microsteps_per_mm=PER_MM)
    controller.connect()
    rail = Rail(controller, SETTINGS, stop_order)
    controller.attend = rail.attend
    controller.take_over()
    rail.set_up()
    controller.declare(64_000)
    rail.narrow(SETTINGS.soft_low, SETTINGS.soft_high)
    controller.set_shutter(pulse_s=0.2, focus_s=0.0, sync_s=0.0)
    return rail


def expose(rail, shot=1, position=64_048):
    """As the shutter does, without the time to settle."""
    rail.controller.set_busy(0.1)
    return rail.controller.fire(shot, position)


def number_of(line):
    """Which line of a session that is, by running it once without a fault."""
    board = Board()
    rail = ready(board)
    rail.move(64_048)
    expose(rail)
    return len(board.lines) - board.lines[::-1].index(line)


def test_the_whole_dialogue_of_one_frame():
    board = Board()
    rail = ready(board)
    rail.move(64_048)
    state = expose(rail)
    assert board.lines == [
        "G21",
        *("G21", "G90", "G94", "M9"),
        "G92 X40",
        "G92 X40",  # once more: whatever it forgot, no move is longer than itself
        "G1 X40.03 F180",  # 48 microsteps of 0.625 um; 3 mm/s are 180 mm a minute
        *("G21",) * 5,  # does it still answer? Every tenth of a second while it moves, and while the contact is closed
        *("M9", "M8", "G21", "M9"),
    ]
    assert board.exposures() == [(pytest.approx(40.03), True)]
    assert (state.shot, state.cut, state.sync) == (1, False, "unwired")
    closed_s, opened_s = (at_s for at_s, _ in board.contact_s[-2:])
    assert opened_s - closed_s == pytest.approx(0.2, abs=0.05)  # a slice, and two answers on the wire


@pytest.mark.parametrize("answers_after_s", [0.005, 0.01, 0.03, 0.045])
def test_asking_whether_it_still_answers_does_not_hold_the_contact_longer(answers_after_s):
    board = Board(answers_after_s=answers_after_s)
    rail = ready(board)
    rail.move(64_048)
    expose(rail)
    closed_s, opened_s = (at_s for at_s, _ in board.contact_s[-2:])
    assert opened_s - closed_s == pytest.approx(0.2 + answers_after_s, abs=1e-6)  # counted from the acknowledgement


def test_an_exposure_that_the_computer_may_have_held_too_long_is_in_doubt():
    """The contact may have closed as soon as the line was sent, and opened as late as the answer came."""
    line = number_of("M8")
    for late_s, counts in ((0.05, True), (0.9, False)):
        board = Board(faults=Faults(late_answer={line: late_s}))
        rail = ready(board)
        rail.move(64_048)
        shutter = RailShutter(rail, replace(PACE, bulb=True))
        shutter.prepare(1.0)
        if counts:
            closed_s, opened_s = shutter.fire(1, 64_048), rail.clock.now()
            assert opened_s - closed_s == pytest.approx(1.0, abs=0.05)
        else:
            with pytest.raises(Ambiguous, match=r"exposed for 1\.9\d s instead of 1\.00 s"):
                shutter.fire(1, 64_048)
        assert board.contact_s[-1][1] is False


def test_the_rail_counts_as_arrived_when_it_is_and_not_when_the_line_is_acknowledged():
    board = Board(begins_after_s=0.3)
    rail = ready(board)
    rail.move(64_800)
    (move,) = board.moves
    assert move.ends_s < rail.arrived_s <= board.clock.now()


def test_a_long_move_is_cut_into_pieces_of_a_second_and_ends_where_it_should():
    board = Board()
    rail = ready(board)
    rail.move(80_000)
    assert board.place_mm(board.clock.now()) == pytest.approx(50)
    # 3 mm/s and 15 mm/s^2: a second takes 3 (1 - 0.2) = 2.4 mm; 10 mm are five pieces.
    assert len(board.moves) == 5
    assert board.longest_s == pytest.approx(1, abs=1e-3)
    assert all(later.begins_s > earlier.ends_s for earlier, later in zip(board.moves, board.moves[1:], strict=False))


def test_with_longer_pieces_a_long_way_takes_as_long_as_the_controllers_own_move():
    board = Board()
    rail = ready(board, replace(WORDS, piece_s=10.0, arrival="dwell"))
    began_s = board.clock.now()
    rail.move(80_000)
    assert len(board.moves) == 1
    # 10 mm at 3 mm/s and 15 mm/s^2 from rest to rest: 10/3 + 3/15 = 3.533 s (elementary mechanics)
    assert board.clock.now() - began_s == pytest.approx(3.533, rel=0.02)


def test_a_stop_in_a_long_piece_is_waited_for_to_its_end():
    board = Board()
    rail = ready(
        board, replace(WORDS, piece_s=10.0), stop_order=lambda: StopOrder.STOP if board.moves else StopOrder.GO_ON
    )
    with pytest.raises(Interrupted):
        rail.move(80_000)
    where = rail.come_to_rest()
    assert where is not None
    assert where.known
    assert board.rests_s <= board.clock.now()


@given(speed=st.integers(1, 100_000), acceleration=st.integers(1, 1_000_000), seconds=st.floats(0.05, 5))
def test_a_piece_is_the_longest_that_takes_its_time(speed, acceleration, seconds):
    settings = RailSettings(
        microsteps_per_mm=1,
        microsteps_per_turn=1,
        travel=1,
        soft_low=0,
        soft_high=1,
        speed=speed,
        acceleration=acceleration,
        take_up=0,
    )
    reach = settings.longest_way(seconds)
    assert reach == 1 or settings.move_s(reach) <= seconds * (1 + 1e-6)
    assert settings.move_s(reach + 1) > seconds * (1 - 1e-6)


@pytest.mark.parametrize("stop_order", [StopOrder.STOP, StopOrder.STOP_AT_ONCE])
def test_an_interrupt_acts_after_the_piece_under_way(stop_order):
    board = Board()
    rail = ready(board, stop_order=lambda: stop_order if len(board.moves) >= 2 else StopOrder.GO_ON)
    with pytest.raises(Interrupted):
        rail.move(80_000)
    assert len(board.moves) == 2
    where = rail.come_to_rest()
    assert where is not None
    assert where.known
    assert where.position / PER_MM == pytest.approx(board.place_mm(board.clock.now()))


def test_limits_are_kept_at_the_last_moment_too():
    board = Board()
    rail = ready(board)
    rail.controller.set_limits(64_000, 65_000)
    for position in (63_999, 65_001):
        with pytest.raises(Refusal, match="limits of this run"):
            rail.controller.start_move(position)
    rail.controller.set_limits(60_000, 61_000)
    for position in (59_999, 64_000, 64_001):
        with pytest.raises(Refusal, match="limits of this run"):
            rail.controller.start_move(position)
    assert not board.moves
    rail.controller.start_move(62_000)  # on its way in
    assert len(board.moves) == 1


def test_nothing_moves_while_the_place_is_not_known():
    board = Board()
    controller = GcodeController(Link(board, board.clock), WORDS, microsteps_per_mm=PER_MM)
    controller.connect()
    controller.take_over()
    assert not controller.where().known
    controller.set_limits(0, 128_000)
    with pytest.raises(ControllerRefused, match="lost"):
        controller.start_move(64_000)
    with pytest.raises(ControllerRefused, match="does not stand"):
        controller.fire(1, 0)
    assert not board.moves
    assert not board.closings


def test_a_move_that_is_not_acknowledged_loses_the_position_and_ends_the_session():
    board = Board(faults=Faults(lost_answer={number_of("G1 X40.03 F180")}))
    rail = ready(board)
    with pytest.raises(NotAcknowledged, match=r"'G1 X40.03 F180' was not acknowledged in 3 s"):
        rail.move(64_048)
    where = rail.come_to_rest()
    assert where is not None
    assert not where.known
    lines = len(board.lines)
    with pytest.raises(NotAcknowledged):
        rail.controller.take_over()
    assert len(board.lines) == lines


@pytest.mark.parametrize("kind", ["lost_line", "lost_answer"])
def test_a_trigger_that_is_not_acknowledged_is_ambiguous_and_never_sent_twice(kind):
    board = Board(faults=Faults(**{kind: {number_of("M8")}}))
    rail = ready(board)
    rail.move(64_048)
    with pytest.raises(Ambiguous, match="may have fired or not"):
        expose(rail)
    assert board.lines.count("M8") == 1
    assert board.lines[-1] == "M9"  # blindly: a contact must not stay closed
    assert not board.closed
    with pytest.raises(ControllerRefused):
        rail.controller.fire(1, 64_048)


def test_an_acknowledgement_in_time_though_late_is_waited_for():
    number = number_of("G1 X40.03 F180")
    board = Board(faults=Faults(late_answer={number: 2.5, number + 2: 2.5}))
    rail = ready(board)
    rail.move(64_048)
    expose(rail)
    assert board.exposures() == [(pytest.approx(40.03), True)]


def test_one_acknowledgement_too_many_puts_the_shot_in_doubt():
    # The double answer to M9 is taken for the one to M8; that one then comes unasked.
    board = Board(faults=Faults(double_answer={number_of("M8") - 1: 0.012}, late_answer={number_of("M8"): 0.3}))
    rail = ready(board)
    rail.move(64_048)
    expose(rail)
    rail.controller.clock.sleep(1)
    with pytest.raises(Ambiguous, match="no line was waiting for"):
        rail.controller.shot()


def test_a_refused_line_is_told_with_the_controllers_words():
    board = Board(faults=Faults(refused={number_of("G1 X40.03 F180")}))
    rail = ready(board)
    with pytest.raises(ControllerRefused, match=r"refused 'G1 X40\.03 F180': bad"):
        rail.move(64_048)
    assert not rail.controller.where().known


@pytest.mark.parametrize("words", [WORDS, QUERY])
def test_a_greeting_in_the_middle_means_that_the_position_is_lost(words):
    board = Board()
    rail = ready(board, words)
    rail.move(64_048)
    board._reset(board.clock.now())
    board.clock.sleep(2)
    with pytest.raises(ControllerReset, match=GREETING):
        rail.move(65_000)
    assert len(board.moves) == 0  # those before the reset are forgotten, none came after


def test_with_a_query_even_a_silent_reset_is_found_before_anything_moves():
    board = Board(faults=Faults(silent_reset=True))
    rail = ready(board, QUERY)
    rail.move(64_048)
    board._reset(board.clock.now())
    board.clock.sleep(2)  # it has started by then
    with pytest.raises(ControllerReset, match=r"0.0000 mm where the rail was left at 40.0300 mm"):
        rail.move(65_000)
    assert not board.moves


def test_with_a_query_a_rail_slower_than_predicted_is_waited_for():
    board = Board(acceleration_mm_s2=2.0)
    rail = ready(board, QUERY)
    rail.move(64_800)
    # 0.5 mm take 2 sqrt(0.5/2) = 1 s instead of 0.37: longer than prediction and margin. It is there once the
    # answer, to a tenth of a micrometre, says this microstep: half a microstep before at most.
    assert board.moves[-1].ends_s - board.moves[-1].begins_s == pytest.approx(1)
    assert board.place_mm(board.clock.now()) == pytest.approx(40.5, abs=0.5 / PER_MM)


@pytest.mark.parametrize("decimals", [0, 2, 3, 4])
def test_a_query_is_believed_as_far_as_its_decimals_go(decimals):
    board = Board(decimals=decimals)
    rail = ready(board, QUERY)
    for position in (64_001, 64_047, 64_333):  # 40.000625, 40.029375, 40.208125 mm
        rail.move(position)
        assert rail.here() == position
        assert board.place_mm(board.clock.now()) == pytest.approx(position / PER_MM, abs=0.1 / PER_MM)


def test_with_a_query_a_move_that_ends_elsewhere_is_told():
    board = Board()
    rail = ready(board, QUERY)
    queue = board._queue
    board._queue = lambda words: queue(words | {"X": words["X"] - 0.5})
    with pytest.raises(PositionLost, match="counts differ"):
        rail.move(64_800)


def test_a_controller_that_says_something_else_is_found_out_before_anything_moves():
    board = Board()
    words = gcode_link(acknowledge=("done",))
    controller = GcodeController(Link(board, board.clock), words, microsteps_per_mm=PER_MM)
    with pytest.raises(LinkError, match="no 'done' in answer to 'G21'"):
        controller.connect()


def test_focus_and_sync_contacts_are_refused():
    controller = GcodeController(Link(Board(), Board().clock), WORDS, microsteps_per_mm=PER_MM)
    with pytest.raises(Refusal, match="one output"):
        controller.set_shutter(pulse_s=0.2, focus_s=0.5, sync_s=0.0)
    with pytest.raises(ControllerRefused, match="no word"):
        controller.hold(on=False)


@given(position=st.integers(-(1 << 30), 1 << 30), per_mm=st.floats(10, 100_000))
def test_positions_are_numbers_of_the_language_and_keep_microsteps_apart(position, per_mm):
    # NISTIR 6556, 3.3.2.1: an optional sign, digits with one decimal point at most, no exponent.
    controller = GcodeController(Link(Board(), Board().clock), WORDS, microsteps_per_mm=per_mm)
    text = controller._mm(position)
    assert re.fullmatch(r"-?(\d+(\.\d+)?)", text)
    assert text != "-0"
    assert round(float(text) * per_mm) == position


def test_a_person_jogs_it_within_the_limits():
    board = Board()
    controller = GcodeController(Link(board, board.clock, longest=512), WORDS, microsteps_per_mm=PER_MM)
    controller.connect()
    rail = Rail(controller, SETTINGS)
    controller.attend = rail.attend
    controller.take_over()
    rail.set_up()
    jog = Jog(rail, direction=1)
    with pytest.raises(Refusal, match="position lost"):
        jog.line("+1")
    jog.line("here 40")
    for line in ("+1", "front", "to 50", "back"):
        jog.line(line)
    with pytest.raises(Refusal, match="outside the soft limits"):
        jog.line("to 79")
    assert jog.values(rear=False)["subject.depth_mm"] == 9
    assert board.place_mm(board.clock.now()) == pytest.approx(50)
    assert board.longest_s <= 1 + 1e-6
    assert {line.split("F")[1] for line in board.lines if "G1" in line} == {"60", "30"}  # 1 and 0.5 mm/s


def test_chatter_is_nothing_and_does_not_keep_a_missing_acknowledgement_waiting_for_ever():
    board = Board(faults=Faults(lost_answer={number_of("G1 X40.03 F180")}))
    rail = ready(board)
    for n in range(1500):
        board._answer(f"idle {n}", 0.01 * n)
    with pytest.raises(NotAcknowledged):
        rail.move(64_048)
    assert board.clock.now() < 12  # the chatter goes on for 15 s
