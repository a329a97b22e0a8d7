"""The board of these tests against what was seen of real, general-purpose motion controllers: it must not be kinder.

The facts were measured once on three of them in simulators, every step pulse counted; the board's figures are near or
worse.
"""

import pytest
from rail.gcode_board import ALARM, BAD, FULL_STEP_MM, GREETING, LOCKED, NOTICE, STATUS, TAKEN, Board, Faults, Manners


def heard(board, seconds):
    """What the board says in that time: when [s], and what."""
    lines, held, end_s = [], b"", board.clock.now() + seconds
    while board.clock.now() < end_s:
        held += board.read(1)
        if held.endswith(b"\n"):
            lines.append((board.clock.now(), held.decode().strip()))
            held = b""
    return lines


def say(board, line, seconds=0.5):
    board.write(f"{line}\n".encode())
    return [text for _, text in heard(board, seconds)]


def started(**options):
    board = Board(manners=Manners(**options))
    board.clock.sleep(3)
    heard(board, 0.1)
    return board


def test_an_unknown_word_gets_a_notice_and_then_its_acknowledgement():
    assert say(started(notice_then_taken=True), "M62 P0") == [f"{NOTICE} 'M62 P0'?", TAKEN]
    assert say(started(), "M62 P0") == [BAD]


def test_an_acknowledgement_of_a_move_comes_at_once_or_at_its_end_and_may_have_an_ending():
    for kind, least_s in (("queued", 0.0), ("ended", 0.5)):
        board = started(acknowledges_moves=kind, ending=" P15 B3")
        board.write(b"G1 X1 F180\n")
        ((at_s, text),) = heard(board, 2)
        assert text == "taken P15 B3"
        assert least_s <= at_s - 3.1 < 1


@pytest.mark.parametrize(("dwell", "after_s"), [("waits", 0.0), ("at once", -0.6)])
def test_a_dwell_of_no_length_is_acknowledged_when_the_move_has_ended_or_at_once(dwell, after_s):
    board = started(dwell=dwell)
    board.write(b"G1 X1 F180\nG4 P0\n")
    at_s = heard(board, 2)[-1][0]
    assert board.rests_s + after_s < at_s < board.rests_s + after_s + 0.2


def test_a_reset_forgets_place_moves_and_greets_after_being_deaf():
    board = Board(manners=Manners(boot_s=1.0), faults=Faults(reset_at_s=4.2))
    board.clock.sleep(3)
    heard(board, 0.1)
    assert say(board, "G92 X40") == [TAKEN]
    board.write(b"G1 X43 F180\n")
    heard(board, 0.8)  # past the reset: the move is cut short
    assert say(board, "G90", 0.5) == []  # deaf
    assert [text for _, text in heard(board, 1)] == [GREETING]
    assert 40 < board.machine_mm < 43
    assert say(board, "where?") == ["at 0.0000 mm, busy 0", TAKEN]


@pytest.mark.parametrize("after", [1, 5])
def test_a_reset_in_the_middle_of_an_answer_leaves_its_beginning_on_the_line(after):
    board = Board(manners=Manners(boot_s=1.0), faults=Faults(reset_at_s=3.11 - (6.5 - after) * 10 / 115_200))
    board.clock.sleep(3)
    heard(board, 0.05)
    board.clock.sleep(3.1 - board.clock.now())
    board.write(b"G90\n")  # seven bytes, the last one at 3.11 s
    text = heard(board, 2)[0][1]
    assert text.endswith(GREETING)
    assert text == TAKEN[:after] + GREETING


def test_a_boot_loader_swallows_the_first_line_and_a_lock_holds_until_its_word():
    board = started(swallows_first=True, starts_locked=True)
    assert say(board, "G90") == []
    assert say(board, "G90") == [LOCKED]
    assert say(board, "unlock") == [TAKEN]
    assert say(board, "G90") == [TAKEN]


def test_it_speaks_unasked_and_an_alarm_stops_everything():
    board = Board(manners=Manners(status_every_s=0.5), faults=Faults(alarm_at_s=5.0))
    said = [text for _, text in heard(board, 6)]
    assert said.count(STATUS) > 8
    assert ALARM in said
    assert say(board, "G90", 0.2)[0] in (ALARM, STATUS)


def test_without_current_the_rotor_falls_to_a_full_step():
    board = started(lets_go=True)
    say(board, "G1 X0.033 F180", 1)
    assert board.place_mm(board.clock.now()) == pytest.approx(40.03, abs=1e-9)
    assert abs(0.033 - 0.03) < FULL_STEP_MM / 2


def test_other_steps_a_millimetre_and_what_has_no_memory_goes_another_way():
    board = started(steps_ratio=1 / 6)
    say(board, "G1 X3 F180", 3)
    assert board.machine_mm + 0.5 == pytest.approx(board.place_mm(board.clock.now()))
    board = started(remembers=False)
    assert board._ratio == 6
    say(board, "set steps")
    assert board._ratio == 1


@pytest.mark.parametrize(
    ("report", "told"),
    [
        ("mm", "40.0000"),
        ("inches", "1.5748"),
        ("microsteps", "64000.0000"),
        ("machine", "0.0000"),
        ("target", "40.0000"),
    ],
)
def test_reports_in_other_units_and_of_another_kind(report, told):
    board = started(report=report)
    say(board, "G92 X40")
    assert say(board, "where?")[0] == f"at {told} mm, busy 0"
    board.write(b"G1 X43 F180\n")
    heard(board, 0.4)
    board.write(b"where?\n")
    place = heard(board, 0.2)[0][1]
    assert ("at 43.0000 mm" in place) == (report == "target")
