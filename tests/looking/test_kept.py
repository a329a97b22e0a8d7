import json
import os
import zlib
from dataclasses import replace

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.looking.kept import Key, kept_beside, read_kept, write_kept
from stacker.looking.seen import Seen
from stacker.pictures.settings import Settings


def seen(number: int) -> Seen:
    light = np.arange(12, dtype=np.float32).reshape(3, 4) / 16 + number
    light[0, 0] = np.inf
    fine = np.full((3, 2, 5), number, dtype=np.float32)
    ways = np.full((4, 2, 5), -number, dtype=np.float32)
    return Seen(
        pixels=(48, 64),
        light=light,
        fine=fine,
        ways=ways,
        settings=Settings(iso=100.0 * number, white_balance="Manual"),
    )


SOME = {Key(f"PIC_{number}.jpg", 1000 + number, 1_900_000_000_123_456_789): seen(number) for number in (1, 2, 3)}


def same(one: Seen, other: Seen) -> bool:
    alike = (one.pixels, one.settings, one.fault) == (other.pixels, other.settings, other.fault)
    return alike and all(np.array_equal(getattr(one, n), getattr(other, n)) for n in ("light", "fine", "ways"))


def test_what_was_kept_comes_back(tmp_path):
    path = kept_beside(tmp_path / "moss-20310504-220000Z.run.jsonl")
    assert path.name == "moss-20310504-220000Z.looks"
    assert read_kept(path) == {}
    write_kept(path, SOME)
    write_kept(path, SOME)  # its own kind is replaced
    back = read_kept(path)
    assert back.keys() == SOME.keys()
    assert all(same(back[key], one) for key, one in SOME.items())


def test_what_was_not_written_comes_back_as_that(tmp_path):
    write_kept(tmp_path / "a.looks", {Key("a.jpg", 1, 1): replace(seen(1), settings=Settings())})
    (back,) = read_kept(tmp_path / "a.looks").values()
    assert back.settings == Settings()


def test_a_file_too_large_for_any_stack_is_not_read(tmp_path, monkeypatch):
    path = tmp_path / "a.looks"
    write_kept(path, SOME)
    monkeypatch.setattr("stacker.looking.kept._LARGEST", path.stat().st_size)
    assert read_kept(path)
    monkeypatch.setattr("stacker.looking.kept._LARGEST", path.stat().st_size - 1)
    assert read_kept(path) == {}


def test_a_file_that_was_written_again_is_another(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(b"one")
    before = Key.of(tmp_path, "a.jpg")
    assert Key.of(tmp_path, "a.jpg") == before
    os.utime(path, ns=(0, before.mtime_ns + 1))
    assert Key.of(tmp_path, "a.jpg") != before


def test_what_could_not_be_read_is_tried_again(tmp_path):
    write_kept(tmp_path / "a.looks", {**SOME, Key("bad.jpg", 1, 1): Seen(fault="cut short")})
    assert read_kept(tmp_path / "a.looks").keys() == SOME.keys()


@pytest.mark.parametrize("content", [b"", b"# mine\n", b'{"stacker_looks": 0}\n', b"{}" * 10, b"[1]\n", b"[" * 100_000])
def test_another_file_is_no_memory_and_is_left_alone(tmp_path, content):
    path = tmp_path / "a.looks"
    path.write_bytes(content)
    assert read_kept(path) == {}
    if not content.startswith(b'{"stacker_looks"'):
        with pytest.raises(FileExistsError):
            write_kept(path, SOME)
        assert path.read_bytes() == content


@given(place=st.integers(0, 10_000), bit=st.integers(0, 7), cut=st.booleans())
@settings(max_examples=examples(200))
def test_a_damaged_memory_counts_as_none(tmp_path_factory, place, bit, cut):
    path = tmp_path_factory.mktemp("kept") / "a.looks"
    write_kept(path, SOME)
    data = bytearray(path.read_bytes())
    place %= len(data)
    if cut:
        del data[place:]
    else:
        data[place] ^= 1 << bit
    path.write_bytes(data)
    back = read_kept(path)
    # a changed blank or digit of the check code itself aside, nothing of it is believed; and nothing is ever wrong
    assert all(key in SOME and same(one, SOME[key]) for key, one in back.items())
    assert not back or not cut


def forged(path, **changes):
    """A memory that somebody made up, with a check code that fits."""
    write_kept(path, SOME)
    head, _, body = path.read_bytes().partition(b"\n")
    told = json.loads(head)
    told["files"][0] |= changes
    told["crc32"] = zlib.crc32(body, zlib.crc32(json.dumps(told["files"]).encode()))
    path.write_bytes(json.dumps(told).encode() + b"\n" + body)
    return read_kept(path)


def test_a_forged_memory_is_data_and_no_more(tmp_path):
    path = tmp_path / "a.looks"
    assert len(forged(path)) == 3  # the check code is reckoned as the program does it
    bad = [
        {"pixels": [0, 0]},
        {"pixels": [10**400, 5]},
        {"pixels": ["a", "b"]},
        {"light": [-1, 3]},
        {"light": [12]},
        {"light": [10**30, 10**30]},
        {"fine": "abc"},
        {"fine": [1, 3, 10]},  # as many values, in other bands
        {"ways": [4, 1, 10]},
        {"settings": {}},
        {"settings": {"__class__": "x", "white_balance": None}},
        {"settings": {"iso": "many", "white_balance": None}},
        {"settings": {"iso": float("inf"), "white_balance": None}},
        {"key": [1]},
    ]
    for changes in bad:
        assert forged(path, **changes) == {}, changes
