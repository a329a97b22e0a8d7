"""The page itself: its examples carry the right check codes and are what a controller says."""

from __future__ import annotations

import binascii
import re
from pathlib import Path

import pytest

from stacker.rail.clock import VirtualClock
from stacker.rail.framing import check_code, framed, unframed
from stacker.rail.line import MEANINGS, STOP, STOP_AT_ONCE
from stacker.rail.simulated import controller as simulated
from stacker.rail.simulated.board import Board
from stacker.rail.simulated.options import SimulatedOptions

PAGE = (Path(__file__).parents[2] / "hardware_notes" / "protocol.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^    ((?:ask|say|note) [^=;|]*?)$", PAGE, re.MULTILINE)


def test_the_page_has_examples_of_requests_replies_refusals_and_a_notice():
    assert len(EXAMPLES) > 30
    assert {line.split(" ")[0] for line in EXAMPLES} == {"ask", "say", "note"}
    assert any(" no " in line for line in EXAMPLES)


@pytest.mark.parametrize("line", EXAMPLES)
def test_an_example_is_a_line_with_the_right_check_code(line):
    body, _, code = line.rpartition(" ")
    assert code == f"{binascii.crc_hqx(body.encode('ascii'), 0xFFFF):04X}"
    assert len(line) + 1 <= (60 if line.startswith("ask") else 64)
    assert "  " not in line


def test_the_extremes_given_are_60_and_64_bytes_long():
    assert max(len(line) + 1 for line in EXAMPLES if line.startswith("ask")) == 60
    assert max(len(line) + 1 for line in EXAMPLES if line.startswith("say")) == 64


def test_the_dialogue_is_what_the_simulated_controller_says():
    # check codes of one line by three programs: the page's, the standard library's and the simulated board's own table
    clock = VirtualClock()
    board = Board(SimulatedOptions(position="unknown", exposure_s=0.005), clock)
    board.state.boot = 0xA6
    board.reset()
    said = []
    for line in EXAMPLES:
        if line.startswith("ask FFFF"):
            break
        if not line.startswith("ask"):
            said.append(line)
            continue
        # the second look at the move comes after its 0.28 s, the question for the shot after its 0.15 s
        clock.sleep({"0000000A": 0.3, "0000000D": 0.2}.get(line.split(" ")[3], 0.0))
        board.write(line.encode("ascii") + b"\n")
        clock.sleep(0.03)
    clock.sleep(1.0)
    heard = board.read(10_000).decode("ascii").splitlines()
    alike = [(a, b) for a, b in zip(heard, said, strict=True) if a != b]
    # where the rail is in the middle of its move depends on how fast the host asks
    assert all(" ok moves known 64" in a and " ok moves known 64" in b for a, b in alike), alike
    assert len(alike) <= 1


def test_every_verb_of_the_controller_is_in_the_table_and_the_other_way_round():
    table = PAGE[PAGE.index("## 6. Requests") : PAGE.index("**Speeds.**")]
    verbs = set(re.findall(r"^\| `(\w+)", table, re.MULTILINE)) | {"seek", "hold"}
    board = Board(SimulatedOptions(), VirtualClock())
    assert verbs == set(board.controller.verbs.table) | {"identify"}


def test_every_refusal_that_the_host_explains_is_on_the_page():
    table = PAGE[PAGE.index("## 10. Refusals") : PAGE.index("## 11.")]
    told = {word for row in re.findall(r"^\| (`[^|]*) \|", table, re.MULTILINE) for word in re.findall(r"`(\w+)`", row)}
    assert set(MEANINGS) <= told


def test_the_stop_bytes_differ_from_all_data_by_two_bits_and_from_each_other_by_three():
    stops = {STOP[0], STOP_AT_ONCE[0]}
    assert stops == {simulated.STOP, simulated.STOP_AT_ONCE}
    assert f"0x{STOP[0]:02X}" in PAGE
    assert f"0x{STOP_AT_ONCE[0]:02X}" in PAGE
    data = [*range(0x20, 0x7F), 0x0A]
    assert min((stop ^ byte).bit_count() for stop in stops for byte in data) == 2
    assert (STOP[0] ^ STOP_AT_ONCE[0]).bit_count() == 3


@pytest.mark.parametrize("body", [b"123456789", b"", b"ask", bytes(range(0x20, 0x7F))])
def test_two_programs_agree_on_the_check_code(body):
    assert check_code(body).decode() == simulated.check_code(body)


def test_the_published_check_value():
    # polynomial 0x1021 from 0xFFFF in the catalogue of parametrised CRC algorithms (G. Cook): check 0x29b1
    assert check_code(b"123456789") == b"29B1" == simulated.check_code(b"123456789").encode()


def test_every_single_damaged_bit_and_every_burst_of_two_bytes_is_found():
    line = framed("ask 00A7 5E1F90C2 00000008 move 64400")[:-1]
    for at in range(len(line)):
        for bit in range(8):
            damaged = line[:at] + bytes([line[at] ^ 1 << bit]) + line[at + 1 :]
            assert unframed(damaged) is None
    for at in range(len(line) - 1):
        swapped = line[:at] + line[at + 1 : at + 2] + line[at : at + 1] + line[at + 2 :]
        assert swapped == line or unframed(swapped) is None
