"""What counts as a picture, where its time comes from, and how finely times are told."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from verifying.evenings import picture_bytes

from stacker.errors import Refusal
from stacker.verifying.folder import read_folder

NOON = 2_000_000_000.0


def fill(folder: Path, names, *, written_s=None) -> Path:
    for place, name in enumerate(names):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(picture_bytes(str(name)))
        at_s = NOON + 7 * place if written_s is None else written_s[place]
        os.utime(path, (at_s, at_s))
    return folder


def dated(*names):
    """A reader of capture times that knows these names alone."""
    return lambda path: 1000.0 + names.index(path.name) if path.name in names else None


def read(folder, *, exif=lambda _: None, **rest):
    return read_folder(folder, exif=exif, **rest)


def files(folder) -> list[str]:
    return [str(path) for one in folder.pictures for path in one.files]


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("P_0001.jpg", True),
        ("cover.JPG", True),  # an ending that only pictures have
        ("P_0001.zz3", True),  # a raw file of a camera nobody knows, by its number
        ("notes.zz3", False),
        ("P_0001.txt", False),
        ("P_0001.xmp", False),
        ("P_0001", False),  # no ending
        ("P_1 (2).zz3", True),  # a copy of a numbered one
        (".P_0001.jpg", False),
        ("thumbs/.cache/P_0001.jpg", False),
        ("day 2/P_0001.jpg", True),
    ],
)
def test_what_counts_as_a_picture(tmp_path, name, counts):
    fill(tmp_path, [name, "Q_0007.jpg"])
    assert (name in files(read(tmp_path))) == counts
    (tmp_path / "P_0002.jpg").mkdir()  # a folder of that name is none
    assert "P_0002.jpg" not in files(read(tmp_path))


def test_no_folder_is_said(tmp_path):
    fill(tmp_path, ["P_0001.jpg"])
    for nothing in (tmp_path / "P_0001.jpg", tmp_path / "no"):
        with pytest.raises(Refusal, match="no such folder") as refusal:
            read(nothing)
        assert refusal.value.code == "no_folder"


def test_pictures_come_by_time_then_name_then_number(tmp_path):
    fill(
        tmp_path,
        ["B_2.jpg", "B_10.jpg", "A_3.jpg", "C.jpg", "B_1.jpg"],
        written_s=[NOON, NOON, NOON, NOON - 1, NOON + 1],
    )
    assert files(read(tmp_path)) == ["C.jpg", "A_3.jpg", "B_2.jpg", "B_10.jpg", "B_1.jpg"]


@pytest.mark.parametrize(
    ("count", "without", "clock"),
    [
        (20, 0, "exif"),
        (20, 2, "exif"),  # a tenth
        (20, 3, "file"),
        (9, 1, "exif"),  # one at least
        (9, 2, "file"),
        (3, 1, "exif"),
        (2, 1, "file"),  # as many as have one
        (1, 0, "exif"),
        (1, 1, "file"),
    ],
)
def test_capture_times_count_where_nearly_all_pictures_have_one(tmp_path, count, without, clock):
    names = [f"P_{n:04}.jpg" for n in range(1, count + 1)]
    found = read(fill(tmp_path, names), exif=dated(*names[without:]))
    assert found.clock == clock
    assert len(found.pictures) == (count - without if clock == "exif" else count)
    assert [str(path) for path in found.undated] == (names[:without] if clock == "exif" else [])


def test_of_two_files_of_one_exposure_one_time_is_enough(tmp_path):
    names = [f"P_{n:04}.{ending}" for n in range(1, 9) for ending in ("jpg", "zz3")]
    written_s = [NOON + 7 * (place // 2) for place in range(16)]  # a camera writes both at about one time
    found = read(fill(tmp_path, names, written_s=written_s), exif=dated(*names[::2]))
    assert found.clock == "exif"
    assert [len(one.files) for one in found.pictures] == [2] * 8


def test_a_file_that_holds_no_picture_needs_no_time(tmp_path):
    names = [f"P_{n:04}.jpg" for n in range(1, 7)]
    fill(tmp_path, names)
    for name in names[:3]:
        (tmp_path / name).write_bytes(b"")
    asked = []
    reader = dated(*names[3:])
    found = read(tmp_path, exif=lambda path: (asked.append(path.name), reader(path))[1])
    assert found.clock == "exif"
    assert asked == names[3:]  # of an empty file nobody asks
    assert {str(path) for path in found.faults} == set(names[:3])
    assert found.undated == ()


def test_without_a_reader_of_capture_times_files_tell_when(tmp_path, monkeypatch):
    fill(tmp_path, ["P_0001.jpg"])
    assert read(tmp_path).exif_read
    monkeypatch.setattr("stacker.verifying.folder.exif_reader", lambda: None)
    found = read_folder(tmp_path)
    assert (found.exif_read, found.clock) == (False, "file")


@pytest.mark.parametrize(
    ("times_s", "resolution_s"),
    [
        ([0.0, 2.0, 6.0], 2.0),  # a memory card keeps even seconds
        ([0.0, 2.0, 5.0], 1.0),
        ([1.0, 3.0, 5.0], 1.0),
        ([0.0, 2.0, 5.25], 0.01),
    ],
)
def test_times_of_files_are_as_fine_as_they_show(tmp_path, times_s, resolution_s):
    names = ["P_0001.jpg", "P_0002.jpg", "P_0003.jpg"]
    fill(tmp_path, names, written_s=[NOON + one for one in times_s])
    assert read(tmp_path).resolution_s == resolution_s


def test_capture_times_are_whole_seconds_or_finer(tmp_path):
    names = ["P_0001.jpg", "P_0002.jpg"]
    fill(tmp_path, names)
    assert read(tmp_path, exif=lambda path: 100.0 + 2 * names.index(path.name)).resolution_s == 1.0
    assert read(tmp_path, exif=lambda path: 100.5 + 2 * names.index(path.name)).resolution_s == 0.01


def test_the_same_bytes_twice_are_told_and_damaged_ones_by_their_fault_alone(tmp_path):
    fill(tmp_path, ["P_0001.jpg", "P_0002.jpg", "P_0003.jpg"])
    (tmp_path / "P_0003.jpg").write_bytes((tmp_path / "P_0001.jpg").read_bytes())
    os.utime(tmp_path / "P_0003.jpg", (NOON + 60, NOON + 60))
    assert [tuple(map(str, one)) for one in read(tmp_path).twins] == [("P_0001.jpg", "P_0003.jpg")]
    for name in ("P_0001.jpg", "P_0003.jpg"):
        (tmp_path / name).write_bytes(b"")
    os.utime(tmp_path / "P_0003.jpg", (NOON + 60, NOON + 60))
    found = read(tmp_path)
    assert found.twins == ()
    assert len(found.faults) == 2
