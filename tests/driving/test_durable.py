"""A file that says that it is on the disk has asked the system for it, on every system."""

from __future__ import annotations

import os
from types import SimpleNamespace

import pytest

from stacker.driving import durable
from stacker.driving.durable import DurableFile
from stacker.errors import Refusal

FULL_SYNC = 51  # its number on the one system that has it; any will do here


@pytest.mark.parametrize(
    ("platform", "wanted"),
    [("linux", "fdatasync"), ("win32", "fsync"), ("darwin", ("fcntl", FULL_SYNC))],
)
def test_sync_asks_the_system_to_put_the_bytes_on_the_disk(tmp_path, monkeypatch, platform, wanted):
    file = DurableFile(tmp_path / "j.run.jsonl", new=True)
    asked = []
    for name in ("fsync", "fdatasync"):
        monkeypatch.setattr(os, name, lambda descriptor, name=name: asked.append((name, descriptor)), raising=False)
    full = SimpleNamespace(
        F_FULLFSYNC=FULL_SYNC, fcntl=lambda descriptor, command: asked.append((("fcntl", command), descriptor))
    )
    monkeypatch.setattr(durable, "fcntl", full, raising=False)
    monkeypatch.setattr(durable, "sys", SimpleNamespace(platform=platform))
    file.write(b"line\n")
    assert not asked  # a line that need not be durable costs nothing
    file.sync()
    file.cut(2)  # what was cut off must not come back with the power
    descriptor = asked[0][1]
    assert asked == [(wanted, descriptor)] * 2
    assert os.path.samestat(os.fstat(descriptor), (tmp_path / "j.run.jsonl").stat())
    file.close()


def test_a_new_file_is_in_its_folder_for_good_and_one_that_was_there_is_already(tmp_path, monkeypatch):
    synced = []
    monkeypatch.setattr(durable, "sync_folder", synced.append)
    DurableFile(tmp_path / "j.run.jsonl", new=True).close()
    assert synced == [tmp_path.resolve()]
    DurableFile(tmp_path / "j.run.jsonl", new=False).close()
    assert len(synced) == 1


def test_a_system_that_takes_a_few_bytes_at_a_time_gets_them_all(tmp_path, monkeypatch):
    file = DurableFile(tmp_path / "j.run.jsonl", new=True)
    write = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:3]))
    file.write(b"a line of some length\n")
    assert file.read() == b"a line of some length\n"
    file.close()


def test_a_file_knows_whether_its_name_leads_to_it_still(tmp_path):
    path = tmp_path / "j.run.jsonl"
    file = DurableFile(path, new=True)
    assert file.is_at(path)
    path.rename(tmp_path / "elsewhere")
    assert not file.is_at(path)
    path.write_bytes(b"another file of this name")
    assert not file.is_at(path)
    file.close()


def test_what_one_has_open_no_other_may_append_to(tmp_path, monkeypatch):
    path = tmp_path / "j.run.jsonl"
    file = DurableFile(path, new=True)
    closed, close = [], os.close
    monkeypatch.setattr(os, "close", lambda descriptor: (closed.append(descriptor), close(descriptor)))
    with pytest.raises(Refusal, match="another run is writing it"):
        DurableFile(path, new=False)
    assert len(closed) == 1  # nothing is left open
    file.close()
    DurableFile(path, new=False).close()


def test_what_is_cut_off_is_gone_and_what_follows_is_written_there(tmp_path):
    file = DurableFile(tmp_path / "j.run.jsonl", new=True)
    file.write(b"kept, and a torn end")
    file.cut(5)
    file.write(b" line\n")
    assert file.read() == b"kept, line\n"
    file.close()
