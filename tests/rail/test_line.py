"""The host's side of the line protocol against a port whose every byte is written in the test."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.errors import LinkError, Refusal
from stacker.rail.clock import VirtualClock
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.framing import framed, unframed
from stacker.rail.line import TRIES, LineController
from stacker.rail.link import Link

SESSION = 0x5E1F90C2
HEAD = "say 5E1F90C2 "


OPENED: list[Link] = []


@pytest.fixture(autouse=True)
def nothing_is_left_over():
    """Whatever a controller said was read and understood: a test whose script says more than it should fails."""
    OPENED.clear()
    yield
    assert not any(link.pending for link in OPENED)


class Port:
    """A port with a script: what is sent is kept, what is answered comes from a function of the request's words."""

    port, baudrate, timeout = "script", 115_200, 0.05

    def __init__(self, answer):
        self.clock = VirtualClock()
        self.answer = answer
        self.sent: list[bytes] = []
        self.arriving = b""

    @property
    def in_waiting(self):
        return len(self.arriving)

    def read(self, size):
        if not self.arriving:
            self.clock.sleep(self.timeout)
            return b""
        data, self.arriving = self.arriving[:size], self.arriving[size:]
        return data

    def write(self, data):
        self.sent.append(data)
        for line in data.split(b"\n"):
            words = unframed(line)
            if words:
                self.arriving += self.answer(words)

    def close(self):
        pass


def controller(answer, *, connected=True):
    def with_identify(words):
        if words[4] == "identify":
            return framed(f"{HEAD}{words[3]} ok 1 00A7 3200 00000000 script")
        return answer(words)

    port = Port(with_identify if connected else answer)
    OPENED.append(Link(port, port.clock))
    made = LineController(OPENED[-1], session=SESSION)
    if connected:
        made.connect()
        port.sent.clear()
    return made, port


def ok(words, rest=""):
    return framed(f"{HEAD}{words[3]} ok {rest}".rstrip())


def test_connect_finds_out_who_answers():
    made, port = controller(lambda words: framed(f"{HEAD}{words[3]} ok 1 00A7 3200 00000000 script"), connected=False)
    identity = made.connect()
    assert (identity.name, identity.boot, identity.microsteps_per_turn) == ("script", 0xA7, 3200)
    assert port.sent[0].startswith(b"\nask 0000 5E1F90C2 00000001 identify ")


def test_connect_gives_up_after_its_time():
    made, port = controller(lambda _: b"", connected=False)
    with pytest.raises(LinkError, match="nobody answers"):
        made.connect()
    assert 2.5 <= port.clock.now() <= 3.5


def test_another_protocol_version_is_refused():
    made, _ = controller(lambda words: framed(f"{HEAD}{words[3]} ok 2 00A7 3200 00000000 x"), connected=False)
    with pytest.raises(LinkError, match="protocol 2"):
        made.connect()


def test_a_request_carries_boot_session_and_a_rising_sequence():
    made, port = controller(ok)
    made.ask("clear")
    made.ask("speed", 5)
    assert [unframed(line.strip()) for line in port.sent] == [
        ["ask", "00A7", "5E1F90C2", "00000002", "clear"],
        ["ask", "00A7", "5E1F90C2", "00000003", "speed", "5"],
    ]


def test_no_answer_means_the_same_bytes_again_after_a_line_feed_and_then_an_error():
    made, port = controller(lambda _: b"")
    with pytest.raises(LinkError, match=f"no answer to 'clear' in {TRIES} tries"):
        made.ask("clear")
    assert port.sent == [port.sent[0], *[b"\n" + port.sent[0]] * (TRIES - 1)]
    assert 10 * 0.16 <= port.clock.now() <= 10 * 0.25


@pytest.mark.parametrize(
    "noise",
    [
        b"garbage\n",
        b"\x00\xff\n",
        framed("say 0000BEEF 00000002 ok"),  # another host's
        framed(f"{HEAD}00000001 ok"),  # an earlier request's, late
        framed(f"{HEAD}00000009 ok"),
        framed("ask 00A7 5E1F90C2 00000002 clear"),  # an echo
        framed("note 00A7 boot script"),
        framed("note"),  # sound, and says nothing
        b"x" * 100 + b"\n",
        framed(f"{HEAD}00000002 ok")[:-4] + b"\n",
        framed(f"{HEAD}00000002"),
    ],
)
def test_whatever_else_arrives_is_no_answer(noise):
    made, _ = controller(lambda words: noise + ok(words, "at last"))
    assert made.ask("clear") == ["at", "last"]


def test_half_a_line_is_never_data():
    halves = iter([framed(f"{HEAD}00000002 ok 1")[:-1], b""])
    made, _ = controller(lambda _: next(halves, b""))
    with pytest.raises(LinkError):
        made.ask("clear")
    assert OPENED.pop().pending  # it is kept until its end comes


def test_a_reset_is_seen_by_the_notice_and_by_the_refusal():
    made, _ = controller(lambda _: framed("note 00A8 boot script"))
    with pytest.raises(ControllerReset, match="00A8"):
        made.ask("clear")
    made, _ = controller(lambda words: framed(f"{HEAD}{words[3]} no boot 00A8"))
    with pytest.raises(ControllerReset, match="00A8"):
        made.ask("clear")


def test_a_refusal_says_what_it_means():
    made, _ = controller(lambda words: framed(f"{HEAD}{words[3]} no switch"))
    with pytest.raises(ControllerRefused, match="a limit switch is hit") as raised:
        made.ask("clear")
    assert raised.value.reason == "switch"


@pytest.mark.parametrize("words", ["", "rest known", "rest known 5 arrived extra", "rest known five arrived"])
def test_a_reply_of_the_wrong_form_is_an_error(words):
    made, _ = controller(lambda asked: ok(asked, words))
    with pytest.raises(LinkError):
        made.where()


def test_no_move_leaves_without_limits_or_beyond_them():
    made, port = controller(ok)
    with pytest.raises(Refusal, match="not set"):
        made.start_move(0)
    made.set_limits(-10, 10)
    port.sent.clear()
    for beyond in (11, -11, 1 << 31):
        with pytest.raises(Refusal, match="-10 to 10"):
            made.start_move(beyond)
    assert port.sent == []
    made.declare(0)  # voids the limits here as it does there
    with pytest.raises(Refusal):
        made.start_move(0)


@given(st.data())
def test_no_sequence_of_replies_makes_a_move_outside_the_limits(data):
    """Whatever a controller answers, no line that asks for a move beyond the limits is ever sent."""
    lines = st.one_of(
        st.binary(max_size=80).map(lambda raw: raw + b"\n"),
        st.sampled_from(
            [
                "ok",
                "ok rest known 99999 arrived",
                "no busy",
                "no boot 0001",
                "ok moves lost -5 low",
                "ok 1 fired open",
                "ok rest known x arrived",
            ]
        ),
    )

    def answer(words):
        drawn = data.draw(lines)
        return drawn if isinstance(drawn, bytes) else framed(f"{HEAD}{words[3]} {drawn}")

    made, port = controller(answer)
    for _ in range(4):
        target = data.draw(st.integers(-200, 200))
        try:
            made.set_limits(-100, 100)
            made.start_move(target)
            made.where()
            made.fire(1, target)
            made.seek("low")
        except (LinkError, Refusal, ControllerReset):
            continue
    for sent in port.sent:
        for line in sent.split(b"\n"):
            words = unframed(line)
            if words and words[4] in ("move", "jog"):
                assert -100 <= int(words[5]) <= 100
