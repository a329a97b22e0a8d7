"""How long a frame's lines are on the wire, against the bytes that a run really sends and gets."""

from __future__ import annotations

import socket
from collections import defaultdict
from pathlib import Path

import pytest
from driving.runs import make_job, run

from stacker.rail.framing import reply_bytes, request_bytes
from stacker.rail.line import LineController
from stacker.rail.link import Link, open_link
from stacker.rail.wire_time import byte_s, line_wire


def test_requests_and_answers_are_as_long_as_said(tmp_path, monkeypatch):
    verbs, sent, heard = [], defaultdict(set), defaultdict(set)
    ask, send, read = LineController.ask, Link.send, Link.read_line

    def asked(self, verb, *arguments):
        verbs.append(verb)
        return ask(self, verb, *arguments)

    def counted(link, data):
        if verbs and data.startswith(b"ask"):
            sent[verbs[-1]].add(len(data))
        send(link, data)

    def told(link, deadline_s):
        line = read(link, deadline_s)
        if verbs and line and line.startswith(b"say"):
            heard[verbs[-1]].add(len(line) + 1)
        return line

    monkeypatch.setattr(LineController, "ask", asked)
    monkeypatch.setattr(Link, "send", counted)
    monkeypatch.setattr(Link, "read_line", told)
    run(make_job(tmp_path, count=12))
    digits = 1  # more or fewer in a shot's number than two
    for verb, arguments in {
        "move": (64_000,),
        "where": (),
        "shot": (),
        "fire": (10, 64_000),
        "watch": (5, 300),
    }.items():
        assert all(abs(length - request_bytes(verb, *arguments)) <= digits for length in sent[verb]), verb
    for verb, words in {
        "move": (),
        "where": ("rest", "known", 64_000, "arrived"),
        "fire": (10, "firing", "waiting"),
        "watch": (),
    }.items():
        assert any(abs(length - reply_bytes(*words)) <= digits for length in heard[verb]), verb


def test_a_frame_at_the_usual_speed_and_at_a_slow_one():
    # Counted from the dialogue on the protocol page, section 11, line feeds included; ten bits a byte. There the shot's
    # number has one digit.
    page = (Path(__file__).parents[2] / "hardware_notes" / "protocol.md").read_text(encoding="utf-8")
    said = {
        line.split("0000000")[1].rsplit(" ", 1)[0]: len(line) - 3 for line in page.splitlines() if " 0000000" in line
    }
    move, where, rests = said["8 move 64400"], said["A where"], said["A ok rest known 64400 arrived"]
    fire, fired = said["C fire 1 64400"], said["C ok 1 firing waiting"]
    shot, over = said["D shot"], said["D ok 1 fired closed"]
    for baud in (115_200, 9600):
        byte = 10 / baud
        wire = line_wire(byte, position=64_400, by_rail=True, bulb=False)
        # half a millisecond each time that the controller answers or acts; 'unwired' is a letter longer than 'closed'
        assert wire.leave_s == pytest.approx((over + 2 + move) * byte + 0.001)
        assert wire.arrive_s == pytest.approx(where * byte + 0.0005)
        assert wire.leg_s == pytest.approx((rests + move) * byte + 0.0005)
        assert wire.fire_s == pytest.approx((rests + fire + 1) * byte + 0.0005)
        assert wire.outcome_s == pytest.approx((fired + 1 + shot) * byte)


def test_how_long_a_byte_takes():
    assert byte_s("/dev/ttyUSB0", 115_200) == pytest.approx(86.8e-6, rel=1e-3)
    assert byte_s("sim://bench?time_scale=20&baud=9600", 115_200) == 10 / 9600
    assert byte_s("sim://bench?time_scale=20", 19_200) == 10 / 19_200
    assert byte_s("socket://host:7000?baud=9600", 19_200) == 10 / 19_200


@pytest.mark.parametrize("said", ["0", "-9600", "fast", "1e5", ""])
def test_a_speed_that_the_port_refuses_is_none_to_plan_with(said):
    assert byte_s(f"sim://k?baud={said}", 115200) == byte_s("sim://k", 115200)


def test_behind_a_network_an_answer_may_have_been_no_time_under_way():
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = open_link(f"socket://127.0.0.1:{server.getsockname()[1]}", 9600)
        assert link.least_byte_s == 0.0
        assert link.byte_s == 10 / 9600  # for which an answer is waited all the same
        link.close()
    link = open_link("sim://bench", 9600)
    assert link.least_byte_s == 10 / 9600
    link.close()
