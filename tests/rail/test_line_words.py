"""What the line dialect sends, word for word, and when; the other side answers as the test says."""

from __future__ import annotations

import pytest
from rail.scripted import ScriptedLines

from stacker.errors import LinkError, Refusal
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.framing import framed, unframed
from stacker.rail.line import CONNECT_S, IDENTIFY_EVERY_S, TRIES, LineController


class Board(ScriptedLines):
    """Answers each request with words of the test, 'ok' where there are none; remembers what was asked."""

    byte_s = least_byte_s = 1e-4

    def __init__(self, **words: str) -> None:
        super().__init__()
        self.words, self.asked, self.raw, self.at_s = words, [], [], []
        self.deaf = 0  # so many requests are not heard

    def send(self, data: bytes) -> None:
        self.raw.append(data)
        words = unframed(data.strip(b"\n"))
        if words is None:
            return
        _, _, session, sequence, verb, *rest = words
        self.asked.append(" ".join([verb, *rest]))
        self.at_s.append(self.clock.now())
        if self.deaf:
            self.deaf -= 1
            return
        told = self.words.get(verb, "ok")
        if told:
            self.coming.append(framed(f"say {session} {sequence} {told}").decode().rstrip("\n"))


def controller(**words):
    board = Board(identify="ok 1 002A 3200 00000000 bench", **words)
    line = LineController(board, session=7)
    line.connect()
    board.asked.clear()
    board.at_s.clear()
    board.raw.clear()
    return board, line


def test_settings_are_sent_in_the_units_of_the_page():
    board, line = controller()
    line.configure(speed=4800, acceleration=24_000, deadman_s=2.0)
    line.set_limits(100, 900)
    line.set_shutter(pulse_s=0.2, focus_s=0.35, sync_s=0.04)
    line.set_shutter(pulse_s=0.0002, focus_s=0.0, sync_s=0.0)
    assert board.asked == [
        "speed 4800",
        "accel 24000",
        "deadman 2000",
        "limits 100 900",
        "shutter 200 350",
        "shutter 1 0",
    ]
    assert (line.poll_s, line.bounds) == (0.5, (100, 900))


def test_how_long_a_shot_is_watched_is_sent_when_it_changed_or_the_shutter_did():
    board, line = controller()
    for _ in range(2):
        line.set_shutter(pulse_s=0.2, focus_s=0.0, sync_s=0.25)
        board.asked.clear()
        line.set_busy(1.2001)
        line.set_busy(1.2001)
        assert board.asked == ["watch 1201 250"]  # rounded up: a shot is not over too early
    line.set_busy(1.5)
    assert board.asked == ["watch 1201 250", "watch 1500 250"]


def test_the_contact_closes_the_focus_time_after_the_last_try_that_may_have_been_acted_on():
    board, line = controller(fire="ok 1 firing open")
    line.bounds = (0, 100)
    line.set_shutter(pulse_s=0.2, focus_s=0.35, sync_s=0.0)
    assert line.fire(1, 50).closed_s == pytest.approx(line.acted_s + 0.35)
    board.deaf = 2
    state = line.fire(1, 50)
    assert board.asked[-3:] == ["fire 1 50"] * 3
    assert board.at_s[-1] > board.at_s[-2] > board.at_s[-3]
    assert state.closed_s == pytest.approx(board.at_s[-1] + 0.35, abs=0.01)
    assert not state.over


@pytest.mark.parametrize(("position", "sent"), [(99, False), (100, True), (900, True), (901, False)])
@pytest.mark.parametrize("verb", ["start_move", "jog"])
def test_no_move_beyond_the_bounds_is_sent(verb, position, sent):
    board, line = controller()
    line.set_limits(100, 900)
    board.asked.clear()
    if sent:
        getattr(line, verb)(position)
        assert len(board.asked) == 1
        return
    with pytest.raises(Refusal, match="limits of this run are 100 to 900"):
        getattr(line, verb)(position)
    assert board.asked == []


@pytest.mark.parametrize("forget", [lambda line: line.declare(5), lambda line: line.seek("low")])
def test_a_place_named_anew_and_a_seek_forget_the_bounds(forget):
    board, line = controller()
    line.set_limits(100, 900)
    forget(line)
    for position in (0, 1, 500):
        with pytest.raises(Refusal, match="not set"):
            line.start_move(position)
    assert not any(asked.startswith("move") for asked in board.asked)


def test_a_request_is_tried_ten_times_each_after_a_line_end_of_its_own():
    board, line = controller()
    board.deaf = TRIES
    with pytest.raises(LinkError, match="no answer to 'where' in 10 tries"):
        line.where()
    assert board.raw == [board.raw[0], *[b"\n" + board.raw[0]] * 9]
    board.words["where"] = "ok rest known 5 -"
    board.deaf = TRIES - 1
    assert line.where().position == 5


def test_nobody_there_is_said_after_the_time_of_the_page():
    board = Board(identify="")
    line = LineController(board, session=7)
    with pytest.raises(LinkError, match="nobody answers"):
        line.connect()
    assert CONNECT_S <= board.clock.now() < CONNECT_S + 0.5
    gaps = [later - sooner for sooner, later in zip(board.at_s, board.at_s[1:], strict=False)]
    assert gaps == pytest.approx([IDENTIFY_EVERY_S] * len(gaps), abs=0.06)


def test_whoever_answers_late_is_known_by_the_last_question():
    board = Board(identify="ok 1 002A 3200 00000009 bench")
    board.deaf = 3
    identity = LineController(board, session=7).connect()
    assert (identity.boot, identity.microsteps_per_turn, identity.name, identity.session) == (
        42,
        3200,
        "bench",
        "00000009",
    )
    assert len(board.asked) == 4


@pytest.mark.parametrize(
    ("words", "reason", "told"),
    [
        ("no limits 5", "limits", "refused 'where': limits 5 ("),
        ("no", "?", "refused 'where': ? (controller and program"),
    ],
)
def test_a_refusal_is_told_in_the_controllers_words(words, reason, told):
    _, line = controller(where=words)
    with pytest.raises(ControllerRefused) as refused:
        line.where()
    assert refused.value.reason == reason
    assert told in str(refused.value)


def test_a_note_of_another_boot_is_a_reset_and_one_of_this_is_not():
    board, line = controller(where="ok rest known 5 -")
    board.coming.append(framed("note 002A supply").decode().rstrip("\n"))
    board.coming.append(framed("note").decode().rstrip("\n"))
    assert line.where().position == 5
    board.coming.append(framed("note 002B up").decode().rstrip("\n"))
    with pytest.raises(ControllerReset, match="boot 002A, now 002B"):
        line.where()


@pytest.mark.parametrize(
    ("words", "told"), [("ok rest known 5", "3 words where 4 belong"), ("ok rest known x -", "'x'")]
)
def test_a_reply_of_another_kind_is_no_reply(words, told):
    _, line = controller(where=words)
    with pytest.raises(LinkError, match=told):
        line.where()


def test_each_switch_is_asked_for_by_its_own_word():
    _, line = controller(state="ok hit clear on hold set none")
    assert (line.reads_hit("low"), line.reads_hit("high")) == (True, False)


def test_who_only_looks_asks_as_nobody():
    board, line = controller(where="ok rest known 5 -")
    line.only_look()
    line.where()
    assert b" 00000000 " in board.raw[-1]


def test_while_it_waits_others_are_attended_to():
    board, line = controller(where="ok rest known 5 -")
    looks = []
    line.attend = lambda: looks.append(board.clock.now())
    board.deaf = 1
    line.where()
    assert looks
