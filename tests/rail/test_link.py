"""Bytes over real ports: pseudo-terminals, a loopback socket, and the simulated one."""

from __future__ import annotations

import os
import socket
import sys
import threading
import time
from contextlib import suppress

import pytest
import serial

from stacker.errors import LinkError
from stacker.rail.clock import VirtualClock
from stacker.rail.line import LineController
from stacker.rail.link import SIMULATOR, Link, open_link

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


@pytest.fixture
def terminal():
    """A pseudo-terminal: the near side as a descriptor, the far side's name."""
    import tty

    near, far = os.openpty()
    tty.setraw(far)
    yield near, os.ttyname(far)
    for descriptor in (near, far):
        with suppress(OSError):  # the test may have closed it
            os.close(descriptor)


def talk(link):
    for _ in range(20):
        link.send(b"x\n")
        link.read_line(time.monotonic() + 0.05)


@posix
def test_half_a_line_is_not_data_and_is_kept_until_its_end_comes(terminal):
    near, name = terminal
    link = open_link(name, 115_200)
    os.write(near, b"first half")
    began = time.monotonic()
    assert link.read_line(time.monotonic() + 0.1) is None
    assert time.monotonic() - began < 5  # the line's end never comes; a busy computer is late
    os.write(near, b" and second\nnext")
    assert link.read_line(time.monotonic() + 1) == b"first half and second"
    assert link.read_line(time.monotonic() + 0.05) is None
    link.close()


@posix
def test_bytes_that_trickle_in_do_not_outlive_the_deadline(terminal):
    near, name = terminal
    link = open_link(name, 115_200)
    stop = threading.Event()

    def trickle():
        for _ in range(1000):  # ten seconds at least, then a read that waits for silence returns
            if stop.is_set():
                return
            os.write(near, b"x")
            time.sleep(0.01)

    thread = threading.Thread(target=trickle)
    thread.start()
    began = time.monotonic()
    while time.monotonic() < began + 0.2:
        assert link.read_line(began + 0.2) is None
    assert time.monotonic() - began < 5  # of ten; a busy computer is late
    stop.set()
    thread.join()
    link.close()


@posix
def test_a_second_program_cannot_open_the_same_port(terminal):
    _, name = terminal
    link = open_link(name, 115_200)
    with pytest.raises(LinkError, match="cannot be opened"):
        open_link(name, 115_200)
    link.close()
    open_link(name, 115_200).close()


@posix
def test_a_port_that_vanishes_is_told_as_such(terminal):
    near, name = terminal
    link = open_link(name, 115_200)
    os.close(near)
    with pytest.raises(LinkError, match="the port is gone"):
        talk(link)
    link.close()


@posix
def test_an_overlong_line_is_dropped_and_the_next_one_read(terminal):
    near, name = terminal
    link = open_link(name, 115_200)
    os.write(near, b"y" * 500 + b"\ngood\n")
    lines = []
    while not lines or lines[-1] is None:
        lines.append(link.read_line(time.monotonic() + 0.2))
    assert [line for line in lines if line] == [b"good"]
    link.close()


def test_no_such_port():
    with pytest.raises(LinkError, match="stacker rail ports"):
        open_link("/dev/there-is-no-such-port", 115_200)
    with pytest.raises(LinkError, match=r"there are .*time_scale"):
        open_link("sim://x?speed=9", 115_200)
    with pytest.raises(LinkError, match="not a port; write its name"):
        open_link("nonsense://x", 115_200)


def test_a_socket_closed_by_the_other_side_is_a_port_that_is_gone():
    listener = socket.create_server(("127.0.0.1", 0))
    link = open_link(f"socket://127.0.0.1:{listener.getsockname()[1]}", 115_200)
    listener.accept()[0].close()
    with pytest.raises(LinkError, match="the port is gone"):
        talk(link)
    link.close()
    listener.close()


def test_opening_does_not_raise_the_lines_that_reset_a_board():
    link = open_link("sim://x?reset_on_open=dtr&time_scale=inf", 115_200)
    board = link._port.board
    assert board.events == [
        {"event": "open", "dtr": False, "rts": False, "position_microsteps": 64_000.0, "time_s": 0.0}
    ]
    link.close()
    # the same board does reset when a program opens it as pyserial does by itself
    port = serial.serial_for_url("sim://x?reset_on_open=dtr&time_scale=inf")
    assert [event["event"] for event in port.board.events] == ["open", "boot"]
    port.close()
    assert SIMULATOR in serial.protocol_handler_packages


def test_a_board_that_resets_whenever_it_is_opened_is_met_with_patience():
    link = open_link("sim://x?reset_on_open=always&time_scale=inf", 115_200)
    controller = LineController(link)
    identity = controller.connect()
    controller.take_over()
    assert identity.boot == 2
    assert not controller.where().known
    link.close()


class Chunks:
    """A port that hands over what it is given, piece by piece."""

    port, baudrate, timeout = "chunks", 115_200, 0.05

    def __init__(self, *chunks):
        self.chunks = list(chunks)

    @property
    def in_waiting(self):
        return len(self.chunks[0]) if self.chunks else 0

    def read(self, size):
        assert size == max(1, self.in_waiting)
        return self.chunks.pop(0) if self.chunks else b""


@pytest.mark.parametrize(
    "chunks",
    [
        (b"z" * 64 + b"\n" + b"good\n",),  # 65 bytes with its line feed, whole at once
        (b"z" * 64, b"\ngood\n"),
        (b"z" * 65, b"tail\ngood\n"),  # its beginning was dropped: its end is no line either
        (b"z" * 65, b"z" * 65, b"tail\n", b"good\n"),
    ],
)
def test_no_part_of_a_line_that_is_too_long_is_data(chunks):
    link = Link(Chunks(*chunks), VirtualClock())
    lines = [link.read_line(1.0) for _ in range(6)]
    assert [line for line in lines if line is not None] == [b"good"]


def test_a_line_as_long_as_the_protocol_allows_is_data():
    assert Link(Chunks(b"z" * 63 + b"\n"), VirtualClock()).read_line(1.0) == b"z" * 63
