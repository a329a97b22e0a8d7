"""Files under new names: never half of one, never over another, the originals only read; killed and gone on with."""

from __future__ import annotations

import errno
import hashlib
import os
import signal
import sys
from pathlib import Path, PurePosixPath
from types import SimpleNamespace

import pytest
from driving.runs import fork

from stacker.errors import Refusal
from stacker.verifying import copying
from stacker.verifying.copying import Order, put_all, refuse_foreign, refuse_place

LIST = "list.csv"


@pytest.fixture
def card(tmp_path):
    """Five files of several blocks, and what is to become of them."""
    folder = tmp_path / "card"
    folder.mkdir()
    orders = []
    for number in range(5):
        path = folder / f"PIC_{number}.jpg"
        path.write_bytes(hashlib.shake_128(bytes([number])).digest(300 + number))
        os.utime(path, ns=(10**18 + number, 10**18 + number))
        orders.append(Order(source=path, target=PurePosixPath(f"moss/sub_stack_{number // 3}/000{number}.jpg")))
    orders.append(Order(source=orders[2].source, target=PurePosixPath("moss/sub_stack_1/0002.jpg")))
    return folder, orders


def state(folder):
    """Bytes and times of all files there."""
    return {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.rglob("*") if path.is_file()}


def put(orders, into, *, copies=False):
    refuse_foreign(into, orders, (LIST,))
    return put_all(orders, into, copies=copies, told=lambda _: None)


def assert_done(orders, into):
    assert {path.relative_to(into).as_posix() for path in into.rglob("*") if path.is_file()} == {
        str(order.target) for order in orders
    }
    for order in orders:
        assert (into / order.target).read_bytes() == order.source.read_bytes()
        assert (into / order.target).stat().st_mtime_ns == order.source.stat().st_mtime_ns


@pytest.mark.parametrize("copies", [False, True])
def test_files_are_linked_or_copied_with_their_times_and_said_to_be(copies, card, tmp_path):
    folder, orders = card
    before = state(folder)
    done = put(orders, tmp_path / "out", copies=copies)
    assert {one.how for one in done} == {"copy" if copies else "link"}
    assert [one.sha256 for one in done] == [hashlib.sha256(order.source.read_bytes()).hexdigest() for order in orders]
    assert (tmp_path / "out" / orders[0].target).samefile(orders[0].source) is not copies
    assert_done(orders, tmp_path / "out")
    assert state(folder) == before


@pytest.mark.parametrize("number", [errno.EXDEV, errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK])
def test_where_the_file_system_cannot_link_files_are_copied(number, card, tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(number, "no links here")

    monkeypatch.setattr(copying.os, "link", refuse)
    assert {one.how for one in put(card[1], tmp_path / "out")} == {"copy"}
    assert_done(card[1], tmp_path / "out")


@pytest.mark.parametrize("copies", [False, True])
def test_done_again_nothing_is_written(copies, card, tmp_path):
    put(card[1], tmp_path / "out", copies=copies)
    before = {path: path.stat() for path in (tmp_path / "out").rglob("*")}
    again = put(card[1], tmp_path / "out", copies=copies)
    assert all(one.was_there for one in again)
    assert {one.how for one in again} == {"copy" if copies else "link"}
    for path, status in before.items():
        assert (path.stat().st_ino, path.stat().st_mtime_ns) == (status.st_ino, status.st_mtime_ns)


def test_what_stands_there_with_other_bytes_is_left_and_refused(card, tmp_path):
    put(card[1], tmp_path / "out", copies=True)
    other = tmp_path / "out" / card[1][3].target
    changed = bytes(len(other.read_bytes()))
    other.write_bytes(changed)
    with pytest.raises(Refusal, match="with other bytes"):
        put(card[1], tmp_path / "out")
    assert other.read_bytes() == changed
    other.write_bytes(b"short")
    with pytest.raises(Refusal, match="other files under its names"):
        put(card[1], tmp_path / "out")
    assert other.read_bytes() == b"short"


def foreign_file(into):
    (into / "moss").mkdir()
    (into / "moss" / "notes.txt").write_text("mine")


def foreign_folder(into):
    (into / "moss" / "sub_stack_0" / "old").mkdir(parents=True)


def folder_for_a_file(into):
    (into / "moss" / "sub_stack_0" / "0000.jpg").mkdir(parents=True)


def file_for_a_folder(into):
    (into / "moss").write_text("mine")


def link_for_a_folder(into):
    (into.parent / "elsewhere").mkdir()
    (into / "moss").symlink_to(into.parent / "elsewhere", target_is_directory=True)


def link_for_a_file(into):
    (into / "moss" / "sub_stack_0").mkdir(parents=True)
    (into / "moss" / "sub_stack_0" / "0000.jpg").symlink_to(into.parent / "card" / "PIC_0.jpg")


def leftover_of_another(into):
    (into / ".other.jpg.77.part").write_text("mine")


def folder_like_a_leftover(into):
    (into / "moss" / "sub_stack_0" / ".0000.jpg.77.part").mkdir(parents=True)


@pytest.mark.parametrize(
    "make",
    [
        foreign_file, foreign_folder, folder_for_a_file, file_for_a_folder, link_for_a_folder, link_for_a_file,
        leftover_of_another, folder_like_a_leftover,
    ],
)  # fmt: skip
def test_a_folder_with_anything_else_in_it_is_refused(make, card, tmp_path):
    into = tmp_path / "out"
    into.mkdir()
    make(into)
    before = state(tmp_path)
    with pytest.raises(Refusal, match="not of this hand-over"):
        put(card[1], into)
    assert state(tmp_path) == before


def test_what_a_system_lays_into_a_folder_that_is_looked_at_does_no_harm(card, tmp_path):
    put(card[1], tmp_path / "out")
    for name in (".DS_Store", "moss/._0000.jpg", "moss/sub_stack_0/Thumbs.db"):
        (tmp_path / "out" / name).write_bytes(b"x")
    assert all(one.was_there for one in put(card[1], tmp_path / "out"))
    assert (tmp_path / "out" / ".DS_Store").exists()


@pytest.mark.parametrize("into", ["card", "card/new", "card/../card/x/y", ".", "other/../card"])
def test_a_place_among_the_originals_is_refused(into, card, tmp_path):
    with pytest.raises(Refusal, match="lies in"):
        refuse_place(card[0], tmp_path / into)


def test_a_place_among_the_originals_is_refused_by_any_name(card, tmp_path):
    (tmp_path / "alias").symlink_to(card[0], target_is_directory=True)
    with pytest.raises(Refusal, match="where the originals are"):
        refuse_place(card[0], tmp_path / "alias" / "new")
    with pytest.raises(Refusal, match="where the originals are"):
        refuse_place(tmp_path / "alias", card[0] / "new")
    refuse_place(card[0], tmp_path / "card2")


def test_an_original_that_is_a_symbolic_link_is_followed(card, tmp_path):
    (card[0] / "PIC_9.jpg").symlink_to(card[0] / "PIC_0.jpg")
    order = Order(source=card[0] / "PIC_9.jpg", target=PurePosixPath("moss/0001.jpg"))
    put([order], tmp_path / "out")
    assert not (tmp_path / "out" / order.target).is_symlink()
    assert_done([order], tmp_path / "out")


def test_copies_that_the_disk_has_no_room_for_are_refused_before_one_is_made(card, tmp_path, monkeypatch):
    monkeypatch.setattr(copying.shutil, "disk_usage", lambda _: _Usage())
    with pytest.raises(Refusal, match="are free"):
        put(card[1], tmp_path / "out", copies=True)
    assert not state(tmp_path / "out")


class _Usage:
    free = 1500  # of six files of some 300 bytes


def test_an_original_that_grows_while_it_is_copied_gives_no_copy(card, tmp_path, monkeypatch):
    passed_on = copying._passed_on

    def growing(original, copy):
        told = passed_on(original, copy)
        with Path(original.name).open("ab") as more:
            more.write(b"x")
        return told

    monkeypatch.setattr(copying, "_passed_on", growing)
    with pytest.raises(Refusal, match="changed while it was copied"):
        put(card[1], tmp_path / "out", copies=True)
    assert not state(tmp_path / "out")


def test_an_error_in_the_middle_leaves_no_half_of_a_file(card, tmp_path, monkeypatch):
    def fail(_):
        raise OSError(errno.ENOSPC, "no room")

    monkeypatch.setattr(copying.os, "fsync", fail)
    with pytest.raises(OSError, match="no room"):
        put(card[1], tmp_path / "out", copies=True)
    assert not state(tmp_path / "out")


def test_what_appears_under_the_name_meanwhile_is_never_written_over(card, tmp_path, monkeypatch):
    """Another program, between the look and the rename: its file stays, ours goes."""
    order = card[1][0]
    target = tmp_path / "out" / order.target
    passed_on = copying._passed_on

    def slowly(original, copy):
        told = passed_on(original, copy)
        if copy is not None:
            target.write_bytes(b"mine")
        return told

    monkeypatch.setattr(copying, "_passed_on", slowly)
    with pytest.raises(FileExistsError, match="appeared meanwhile"):
        put([order], tmp_path / "out", copies=True)
    assert [data for data, _ in state(tmp_path / "out").values()] == [b"mine"]


def test_a_link_is_never_put_over_what_appeared_meanwhile(card, tmp_path, monkeypatch):
    order = card[1][0]
    link = copying.os.link

    def late(source, target):
        target.write_bytes(b"mine")
        link(source, target)

    monkeypatch.setattr(copying.os, "link", late)
    with pytest.raises(FileExistsError):
        put([order], tmp_path / "out")
    assert [data for data, _ in state(tmp_path / "out").values()] == [b"mine"]


@pytest.mark.parametrize("copies", [False, True])
def test_each_file_is_told_when_it_stands_and_each_folder_synced_at_the_end(copies, card, tmp_path, monkeypatch):
    into, told, synced = tmp_path / "out", [], []

    def tell(one):
        assert (into / one.target).exists()
        assert not synced
        told.append(one)

    monkeypatch.setattr(copying, "sync_folder", lambda home: synced.append(home.relative_to(into).as_posix()))
    assert put_all(card[1], into, copies=copies, told=tell) == told
    assert sorted(synced) == ["moss/sub_stack_0", "moss/sub_stack_1"]


def test_a_copy_is_on_the_disk_before_it_has_its_name(card, tmp_path, monkeypatch):
    """What lies in a buffer when the disk is told to write is lost with the power."""
    sizes = []
    fsync = copying.os.fsync

    def seen(number):
        sizes.append(os.fstat(number).st_size)
        fsync(number)

    monkeypatch.setattr(copying.os, "fsync", seen)
    put(card[1][:1], tmp_path / "out", copies=True)
    assert sizes[0] == 300


def test_of_foreign_files_three_are_named_and_the_rest_counted(card, tmp_path):
    into = tmp_path / "out"
    into.mkdir()
    for number, count in ((3, ""), (5, " and 2 more")):
        for one in range(number):
            (into / f"x{one}.txt").write_text("mine")
        with pytest.raises(Refusal) as refusal:
            put(card[1], into)
        assert f": x0.txt, x1.txt, x2.txt{count}. Nothing was changed" in str(refusal.value)


def test_a_disk_that_has_just_enough_room_is_enough_and_what_is_there_needs_none(card, tmp_path, monkeypatch):
    orders = card[1]
    free = SimpleNamespace(free=sum(order.source.stat().st_size for order in orders))
    monkeypatch.setattr(copying.shutil, "disk_usage", lambda _: free)
    put(orders, tmp_path / "out", copies=True)
    assert_done(orders, tmp_path / "out")
    (tmp_path / "out" / orders[3].target).unlink()
    free.free = orders[3].source.stat().st_size
    put(orders, tmp_path / "out", copies=True)
    (tmp_path / "out" / orders[3].target).unlink()
    free.free -= 1
    with pytest.raises(Refusal, match="are free"):
        put(orders, tmp_path / "out", copies=True)


# --------------------------------------------------------------------------------------------------------- killed


class _Counted:
    """A checksum that counts the blocks that it is given: the killer's other clock."""

    def __init__(self, tick):
        self.tick, self.real = tick, hashlib.sha256()

    def update(self, block):
        self.tick()
        self.real.update(block)

    def hexdigest(self):
        return self.real.hexdigest()


def killed(orders, into, at, *, copies):
    """A forked process ends before its `at`-th operation on a file or block of one; returns whether it was killed."""
    child = fork()
    if child == 0:
        count = 0

        def tick(*_):
            nonlocal count
            count += 1
            if count == at:
                os.kill(os.getpid(), signal.SIGKILL)

        code = 1
        try:
            copying._BLOCK = 64
            copying.hashlib = type("", (), {"sha256": staticmethod(lambda: _Counted(tick))})
            events = {"open", "os.link", "os.rename", "os.remove", "os.mkdir", "os.utime"}
            sys.addaudithook(lambda event, _: tick() if event in events else None)
            put(orders, into, copies=copies)
            code = 0
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.waitstatus_to_exitcode(status) == 0
    return os.WIFSIGNALED(status)


def kill_everywhere(card, tmp_path, *, copies, every):
    """Every so many operations; returns how many kills there were."""
    folder, orders = card
    before = state(folder)
    whole = {order.target: before[order.source][0] for order in orders}
    at, kills = 1, 0
    while True:
        into = tmp_path / f"out{copies}{at}"
        was_killed = killed(orders, into, at, copies=copies)
        for path in into.rglob("*.jpg"):
            assert path.read_bytes() == whole[PurePosixPath(path.relative_to(into).as_posix())], at
        if was_killed and at % 2:
            killed(orders, into, at // 2 + 1, copies=copies)  # and once more on the way
        put(orders, into, copies=copies)
        assert_done(orders, into)
        assert state(folder) == before
        kills += was_killed
        if not was_killed:
            return kills
        at += every


@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
@pytest.mark.parametrize("copies", [False, True])
def test_killed_here_and_there_and_called_again(copies, card, tmp_path):
    assert kill_everywhere(card, tmp_path, copies=copies, every=11) >= 3


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
@pytest.mark.parametrize("copies", [False, True])
def test_killed_at_every_operation_and_called_again(copies, card, tmp_path):
    assert kill_everywhere(card, tmp_path, copies=copies, every=1) >= 40
