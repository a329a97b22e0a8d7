"""Bytes to lines over a port that follows a script: what is data, what is thrown away, and when to give up."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from stacker.rail.clock import VirtualClock
from stacker.rail.link import Link


class Port:
    """Gives the chunks of a script, one a read, each after some time."""

    def __init__(
        self, *chunks: bytes, clock: VirtualClock, each_s: float = 0.0, port: str = "/dev/ttyX", baudrate=9600
    ):
        self.chunks, self.clock, self.each_s, self.port, self.baudrate = [*chunks], clock, each_s, port, baudrate

    @property
    def in_waiting(self) -> int:
        return len(self.chunks[0]) if self.chunks else 0

    def read(self, count: int) -> bytes:
        self.clock.sleep(self.each_s)
        if not self.chunks:
            return b""
        chunk, rest = self.chunks[0][:count], self.chunks[0][count:]
        self.chunks[:1] = [rest] if rest else []
        return chunk


def link_of(*chunks: bytes, longest: int = 8, **more) -> Link:
    clock = VirtualClock()
    return Link(Port(*chunks, clock=clock, **more), clock, longest=longest)


def lines_of(link: Link) -> list[bytes]:
    lines = []
    while (line := link.read_line(link.clock.now() + 9)) is not None:
        lines.append(line)
    return lines


def test_lines_are_cut_wherever_their_bytes_were():
    assert lines_of(link_of(b"on", b"e\ntwo\n\nthr", b"ee\n", b"rest")) == [b"one", b"two", b"", b"three"]


@pytest.mark.parametrize(("length", "data"), [(7, True), (8, False), (9, False), (60, False)])
def test_a_line_longer_than_any_can_be_is_no_data_nor_is_its_end(length, data):
    """Eight bytes with the line feed are the most."""
    for chunks in ([b"x" * length + b"\nok\n"], [*[b"x"] * length, b"\n", b"ok\n"]):
        assert lines_of(link_of(*chunks)) == [b"x" * length] * data + [b"ok"]


def test_noise_without_an_end_does_not_fill_the_memory():
    link = link_of(*[b"\xff" * 5] * 100, b"\nok\n")
    assert lines_of(link) == [b"ok"]
    assert len(link._buffer) == 0
    assert link_of().read_line(1.0) is None


def test_what_trickles_in_is_given_up_at_the_deadline_and_kept():
    link = link_of(b"a", b"b", b"c", b"d\n", each_s=1.0)
    assert link.read_line(2.0) is None
    assert link.clock.now() == 2.0
    assert link.read_line(2.5) is None
    assert link.clock.now() == 3.0
    assert link.read_line(2.5) == b"abcd"  # what has arrived by then is data, however late


def test_bytes_that_wait_are_seen_without_reading_them():
    link = link_of(b"one\ntwo\n")
    assert link.pending
    assert link.read_line(1.0) == b"one"
    assert link.pending  # in the buffer
    assert link.read_line(1.0) == b"two"
    assert not link.pending


@pytest.mark.parametrize(
    ("port", "baudrate", "byte_s", "least_s"),
    [
        ("/dev/ttyX", 9600, 10 / 9600, 10 / 9600),
        ("COM3", None, 10 / 115_200, 10 / 115_200),
        ("sim://bench?baud=9600", 9600, 10 / 9600, 10 / 9600),
        ("socket://127.0.0.1:7000", 9600, 10 / 9600, 0.0),
    ],
)
def test_a_byte_takes_ten_bits_but_behind_a_network_it_may_have_taken_none(port, baudrate, byte_s, least_s):
    link = link_of(port=port, baudrate=baudrate)
    assert (link.byte_s, link.least_byte_s) == (byte_s, least_s)
    assert link.url == port.partition("?")[0]


def test_ports_without_a_description_are_listed_too(monkeypatch):
    from serial.tools import list_ports

    from stacker.rail.link import ports

    found = [SimpleNamespace(device="/dev/ttyA", description="n/a"), SimpleNamespace(device="COM3", description=None)]
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    assert ports() == [("/dev/ttyA", "n/a"), ("COM3", "")]
