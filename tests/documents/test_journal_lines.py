"""Which lines of a journal are believed: damage is found by the check code, odd values by what each key may hold."""

from __future__ import annotations

import json
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.documents.journal_lines import line_of, read_lines
from stacker.documents.journal_values import Unsound

ROWS = [[n, 30.0 * n, 48 * n] for n in range(1, 5)]
HEAD = {
    "event": "run",
    "stacker_journal": 2,
    "run": "ab12",
    "plan": {"digest": "d", "columns": ["frame", "focus_um", "position_microsteps"], "rows": ROWS},
    "profile_digest": "p",
    "front_at_microsteps": 64_000,
    "microsteps_per_mm": 1600.0,
    "frames": [1, 2, 3, 4],
    "boot": 1,
    "t_s": 0.0,
}
INTENT = {"event": "intent", "frame": 1, "shot": 1, "position_microsteps": 64_048, "t_s": 1.0}
CONFIRMED = {"event": "confirmed", "frame": 1, "shot": 1, "evidence": "sync", "t_s": 1.5}


def changed(record, **values):
    return {key: value for key, value in (record | values).items() if value is not ...}


def test_the_check_code_is_the_crc_32_of_rfc_1952():
    assert zlib.crc32(b"123456789") == 0xCBF43926  # check value of CRC-32/ISO-HDLC, from memory
    line = line_of({"event": "end", "t_s": 1})
    assert line == b'{"event":"end","t_s":1,"crc":"%08x"}\n' % zlib.crc32(b'{"event":"end","t_s":1')
    assert json.loads(line)["event"] == "end"


@given(place=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_no_line_is_believed_in_which_a_bit_is_turned(place, bit):
    lines = [line_of(record) for record in (HEAD, INTENT, CONFIRMED)]
    data = bytearray(b"".join(lines))
    place %= len(data)
    data[place] ^= 1 << bit
    try:
        read = read_lines(bytes(data))
    except Unsound:
        assert place < len(lines[0])
        return
    assert place >= len(lines[0])
    sound = [record["event"] for record in read.records + read.behind]
    assert "intent" not in sound or place >= len(lines[0] + lines[1]) or place == len(lines[0] + lines[1]) - 1
    assert "confirmed" not in sound or place < len(lines[0] + lines[1])
    assert read.bad_line is not None


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"frames": [1, 9]}, r"frames: found \[1, 9\]; a list of frames 1 to 4"),
        ({"frames": "1-4"}, "frames: found '1-4'; a list"),
        ({"frames": [True]}, r"frames: found \[True\]"),
        ({"frames": {"1": 2}}, "frames: found"),
        ({"frames": ...}, "frames: not there"),
        ({"microsteps_per_mm": 0}, "microsteps_per_mm: found 0; accepted is a number above 0"),
        ({"microsteps_per_mm": -1600}, "microsteps_per_mm: found -1600"),
        ({"microsteps_per_mm": True}, "microsteps_per_mm: found True"),
        ({"front_at_microsteps": 10**400}, r"front_at_microsteps: found 1000.*\.\.\.; accepted is a whole number"),
        ({"front_at_microsteps": 1.5}, "front_at_microsteps: found 1.5"),
        ({"boot": None}, "boot: found None"),
        ({"utc": "yesterday"}, "utc: found 'yesterday'; accepted is a time of day with its zone"),
        ({"utc": "2031-05-04T22:00:00"}, "utc: found"),
        ({"kind": "most"}, "kind: found 'most'; accepted is one of all, ends, frames, between, after"),
        ({"url": "sim://\x1b[2J"}, r"url: found 'sim://\\x1b\[2J'"),
        ({"after": 7}, "after: found 7; accepted is the name of a journal"),
        ({"t_s": -1}, "t_s: found -1"),
        ({"t_s": 1 << 53}, "t_s: found 9007199254740992; accepted is seconds"),
        ({"boot": 1 << 53}, "boot: found 9007199254740992"),
        ({"utc": 7}, "utc: found 7; accepted is a time of day with its zone"),
        ({"utc": "9001-05-04T22:00:00+00:00"}, "utc: found"),
        ({"pictures_a_frame": 0}, "pictures_a_frame: found 0; accepted is a whole number from 1 to 15"),
        ({"warm_up_s": -1}, "warm_up_s: found -1; accepted is seconds"),
        ({"run": "a" * 39 + "\n"}, r"run: found '" + "a" * 36 + r"\.\.\.; accepted is text"),
        ({"event": ...}, "this is no journal \\(no event\\)"),
        ({"microsteps_per_mm": 10**400}, "microsteps_per_mm: found 1000"),
        ({"plan": None}, "plan: not there"),
        ({"plan": HEAD["plan"] | {"rows": []}}, "plan.rows: not there, or none"),
        ({"plan": HEAD["plan"] | {"rows": [[1, 2]]}}, r"plan.rows: row 1 is \[1, 2\]; 3 numbers are accepted"),
        ({"plan": HEAD["plan"] | {"rows": [7]}}, "plan.rows: row 1 is 7; 3 numbers are accepted"),
        ({"plan": HEAD["plan"] | {"rows": [[1, 2, "x"]]}}, r"plan.rows: row 1 is \[1, 2, 'x'\]"),
        ({"plan": HEAD["plan"] | {"rows": [[True, 2, 3]]}}, "plan.rows: row 1 is"),
        ({"plan": HEAD["plan"] | {"rows": [[1.0, 2, 3]]}}, "plan.rows: row 1 begins"),
        (
            {"plan": HEAD["plan"] | {"columns": ["frame", "focus_um", "focus_um", "position_microsteps"]}},
            "plan.columns: found .*each once",
        ),
        (
            {"plan": HEAD["plan"] | {"columns": ["focus_um", "frame", "position_microsteps"]}},
            "plan.columns: found .*frame first",
        ),
        ({"plan": HEAD["plan"] | {"rows": [[2, 2, 2]]}}, "plan.rows: row 1 begins .*frames count from 1"),
        ({"plan": HEAD["plan"] | {"rows": [[1, None, 2]]}}, "plan.rows: row 1 begins"),
        ({"plan": HEAD["plan"] | {"columns": ["frame"]}}, "plan.columns: found"),
        ({"plan": HEAD["plan"] | {"columns": [1, 2]}}, "plan.columns: not there, or no names"),
        ({"plan": HEAD["plan"] | {"digest": 1}}, "plan.digest: not there"),
        ({"stacker_journal": 3}, "not a journal of format 2"),
    ],
)
def test_an_odd_value_in_the_first_line_is_told_with_what_is_accepted(change, told):
    with pytest.raises(Unsound, match=told):
        read_lines(line_of(changed(HEAD, **change)))


@pytest.mark.parametrize(
    "odd",
    [
        changed(INTENT, frame=5),
        changed(INTENT, frame=[1]),
        changed(INTENT, shot=-1),
        changed(INTENT, shot=...),
        changed(INTENT, t_s="1"),
        {"event": "resume", "frames": [1], "front_at_microsteps": 1, "boot": {}, "t_s": 0},
        {"event": "found", "session": 3, "lost": False},
        {"event": "stop", "lost": "no"},
        HEAD,
    ],
)
def test_an_odd_value_in_a_later_line_is_where_the_journal_ends(odd):
    read = read_lines(line_of(HEAD) + line_of(odd) + line_of({"event": "exposed", "frame": 1, "t_s": 1}))
    assert (read.bad_line, read.only_a_tail, len(read.records)) == (2, True, 1)
    assert read.whole_bytes == len(line_of(HEAD))
    assert not read_lines(line_of(HEAD) + line_of(odd) + line_of(CONFIRMED)).only_a_tail


@pytest.mark.parametrize("deep", [b"[" * 100_000, b"[" * 900 + b"]" * 900])
def test_deep_nesting_is_a_bad_line_and_no_crash(deep):
    body = b'{"event":"end","frame":' + deep
    line = body + b',"crc":"%08x"}\n' % zlib.crc32(body)
    for data in (line, line_of(HEAD) + line):
        try:
            assert read_lines(data).bad_line == 2
        except Unsound:
            assert data == line


def test_lines_without_codes_are_those_of_the_first_format():
    plain = "".join(json.dumps(record) + "\n" for record in (HEAD | {"stacker_journal": 1}, INTENT))
    assert read_lines(plain.encode()).bad_line is None
    assert read_lines(line_of(HEAD) + json.dumps(INTENT).encode() + b"\n").bad_line == 2


def test_a_last_line_without_its_line_feed_is_torn_though_it_reads_well():
    """What is appended behind it would stand on the same line."""
    read = read_lines(line_of(HEAD) + line_of(INTENT)[:-1])
    assert (read.bad_line, read.why, len(read.records)) == (2, "it does not end", 1)
    assert read.whole_bytes == len(line_of(HEAD))


def test_a_first_line_that_lost_its_code_is_not_believed():
    with pytest.raises(Unsound, match="has lost its check code"):
        read_lines(json.dumps(HEAD).encode() + b"\n" + line_of(INTENT))


@pytest.mark.parametrize(
    ("record", "frame"), [(INTENT, 4), (INTENT, 0), (CONFIRMED, 4), (CONFIRMED, 0)], ids=lambda value: str(value)[-6:]
)
def test_the_last_frame_and_the_closing_one_are_frames(record, frame):
    assert read_lines(line_of(HEAD) + line_of(record | {"frame": frame})).bad_line is None
    for odd in (-1, 5, True, 1.0):
        assert read_lines(line_of(HEAD) + line_of(record | {"frame": odd})).bad_line == 2


@pytest.mark.parametrize("value", [b"NaN", b"Infinity", b"-Infinity", b"1e999"])
def test_what_is_no_finite_number_is_no_number(value):
    body = b'{"event":"exposed","frame":1,"t_s":' + value
    line = body + b',"crc":"%08x"}\n' % zlib.crc32(body)
    assert read_lines(line_of(HEAD) + line).bad_line == 2
