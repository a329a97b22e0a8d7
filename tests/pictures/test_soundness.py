"""Whether a file is whole, held against a reader that decodes it (Pillow), at every place where it could be cut."""

from __future__ import annotations

import io
import os
import struct
import warnings

import pytest

from stacker.pictures import soundness
from stacker.pictures.soundness import ZEROS_COUNTED, look

image = pytest.importorskip("PIL.Image")


def noise():
    """A picture that no compression makes small."""
    return image.frombytes("RGB", (40, 30), os.urandom(40 * 30 * 3))


def saved(form, **options):
    file = io.BytesIO()
    picture = options.pop("picture", None) or noise()
    picture.save(file, form, **options)
    return file.getvalue()


def with_thumbnail():
    """A JPEG with a whole JPEG in its EXIF segment, whose end marker must not be taken for that of the picture."""
    inner = saved("JPEG", picture=noise().resize((8, 6)))
    segment = b"Exif\0\0" + inner
    whole = saved("JPEG")
    return whole[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + whole[2:]


KINDS = {
    "baseline.jpg": lambda: saved("JPEG", quality=90),
    "progressive.jpg": lambda: saved("JPEG", progressive=True),
    "restarts.jpg": lambda: saved("JPEG", restart_marker_rows=1),
    "thumbnail.jpeg": with_thumbnail,
    "plain.tif": lambda: saved("TIFF"),
    "deflated.tiff": lambda: saved("TIFF", compression="tiff_deflate"),
    "jpeg_inside.tif": lambda: saved("TIFF", compression="jpeg"),
    "built_like_a_tiff.rw9": lambda: saved("TIFF"),
    "picture.png": lambda: saved("PNG"),
    "boxes.heif": lambda: saved("AVIF"),  # built as HEIF is
}


def decodes(data):
    try:
        with warnings.catch_warnings(), image.open(io.BytesIO(data)) as picture:
            warnings.simplefilter("ignore")
            picture.load()
    except Exception:  # noqa: BLE001  # whatever it stumbles over
        return False
    return True


@pytest.mark.parametrize("name", KINDS)
def test_a_whole_file_is_sound_and_one_that_no_reader_decodes_is_not(name, tmp_path):
    data, path = KINDS[name](), tmp_path / name
    path.write_bytes(data)
    assert (look(path).fault, look(path).followed) == (None, True)
    # shorter ones of an unknown ending do not even tell their build; their size does
    ends = {len(data) - less for less in (1, 2, 3, 9, 50)}
    for length in sorted({*range(12, len(data), max(1, len(data) // 60)), *ends}):
        path.write_bytes(data[:length])
        # a JPEG without its last two bytes can be decoded all the same; it was cut, and we say so
        assert look(path).fault or (decodes(data[:length]) and not name.endswith(("jpg", "jpeg"))), length


@pytest.mark.parametrize("name", [name for name in KINDS if not name.endswith("tif")])
def test_a_file_whose_last_part_was_never_written_is_not_sound(name, tmp_path):
    """Room for the whole file, zeros where its end should be, as after a copy that was interrupted."""
    data, path = KINDS[name](), tmp_path / name
    if not name.endswith(("jpg", "jpeg", "png")):
        path.write_bytes(data[:400] + bytes(len(data) - 400))
        # how many zeros are usual, only its neighbours tell
        assert look(path).fault or look(path).zeros_at_end >= len(data) - 400
        return
    path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))
    assert look(path).fault


@pytest.mark.parametrize("tail", [b"\0" * 3000, b"\xff" * 64, b"a second picture\xff\xd8\xff\xd9"])
def test_what_cameras_append_behind_the_end_of_a_jpeg_is_no_fault(tail, tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(saved("JPEG") + tail)
    assert look(path) == soundness.Look(followed=True)


def test_empty_zeros_and_another_kind_are_told_as_that(tmp_path):
    told = {b"": "empty", bytes(5000): "zeros instead of a picture", b"<html>no such page</html>": "no JPEG inside"}
    for data, fault in told.items():
        (tmp_path / "a.jpg").write_bytes(data)
        assert look(tmp_path / "a.jpg").fault.startswith(fault)


def test_a_file_that_cannot_be_read_is_told_as_that(tmp_path, monkeypatch):
    path = tmp_path / "a.jpg"
    path.write_bytes(saved("JPEG"))

    class Broken(io.BytesIO):
        def read(self, _count):
            raise OSError(5, "Input/output error")

    monkeypatch.setattr(type(path), "open", lambda *_: Broken(b"x"))
    assert look(path).fault == "unreadable (Input/output error)"


def test_an_unknown_build_is_not_called_whole(tmp_path):
    path = tmp_path / "a.rw9"
    path.write_bytes(b"\x01\x02\x03\x04" * 500)
    assert look(path) == soundness.Look(followed=False)


def box(name, content, size=None):
    """ISO/IEC 14496-12, 4.2: size with its own four bytes, name, content."""
    return struct.pack(">I4s", len(content) + 8 if size is None else size, name) + content


def test_a_file_of_boxes_ends_with_its_last_box(tmp_path):
    path = tmp_path / "a.heic"
    long = struct.pack(">I4sQ", 1, b"mdat", 416) + bytes([7]) * 400
    for last in (box(b"mdat", b"\x07" * 400), long, box(b"mdat", b"\x07" * 400, size=0)):
        whole = box(b"ftyp", b"heic\0\0\0\0") + last
        path.write_bytes(whole)
        assert (look(path).fault, look(path).followed) == (None, True)
        for length in range(8, len(whole), 7):
            path.write_bytes(whole[:length])
            # without a length the last box goes to wherever the file ends
            assert look(path).fault or (last[:4] == bytes(4) and length >= 24), length


def test_bytes_made_up_to_keep_it_busy_end_soon(tmp_path, monkeypatch):
    monkeypatch.setattr(soundness, "_MANY_PARTS", 1000)
    path = tmp_path / "a.jpg"
    path.write_bytes(b"\xff\xd8" + b"\xff\xd0" * 20_000)
    assert look(path).fault == "damaged: parts without end"
    header = b"II*\0" + struct.pack("<I", 8)
    loop = header + struct.pack("<HHHIIHHIII", 2, 330, 4, 5000, 8, 273, 4, 1, 8, 8) + bytes([8, 0, 0, 0]) * 5000
    (tmp_path / "a.tif").write_bytes(loop)
    assert look(tmp_path / "a.tif").fault
    (tmp_path / "a.heic").write_bytes(box(b"ftyp", b"heic") + box(b"free", b"") * 2000)
    assert look(tmp_path / "a.heic").fault == "damaged: parts without end"


def test_any_bytes_at_all_get_an_answer(tmp_path):
    starts = [
        b"\xff\xd8\xff\xda\0\x02",
        b"II*\0\x08\0\0\0",
        b"MM\0*\0\0\0\x08",
        b"\x89PNG\r\n\x1a\n",
        b"\0\0\0\x08ftyp",
    ]
    for number in range(300):
        path = tmp_path / "a.rw9"
        path.write_bytes(starts[number % len(starts)] + os.urandom(number * 7))
        look(path)


def test_zeros_are_counted_to_a_bound(tmp_path):
    path = tmp_path / "a.rw9"
    with path.open("wb") as file:
        file.write(b"x")
        file.truncate(ZEROS_COUNTED + 10)
    assert look(path).lost == "zeros instead of a picture"


def tiff(*directories, data=b"", following=()):
    """A TIFF (revision 6.0, section 2) of directories of tags with four-byte values, one behind the other, then data.

    A value may be a function of where the data begins; `following` says for a directory which one comes next.
    """
    places, at = [], 8
    for tags in directories:
        places.append(at)
        at += 2 + 12 * len(tags) + 4
    head = b"MM\0*" + struct.pack(">I", places[0])
    for number, tags in enumerate(directories):
        head += struct.pack(">H", len(tags))
        for tag, value in tags.items():
            told = value(at) if callable(value) else places[value[0]] if isinstance(value, tuple) else value
            head += struct.pack(">HHII", tag, 4, 1, told)
        after = dict(following).get(number)
        head += struct.pack(">I", 0 if after is None else places[after])
    return head + data


def begin(at):
    return at


def broken(tmp_path, data, name="a.tif"):
    (tmp_path / name).write_bytes(data)
    return look(tmp_path / name).broken


@pytest.mark.parametrize("offsets", [273, 324, 513])  # strips, tiles, an old-style JPEG; their lengths come next
def test_every_part_that_a_directory_names_must_lie_in_the_file(tmp_path, offsets):
    lengths = {273: 279, 324: 325, 513: 514}[offsets]
    assert broken(tmp_path, tiff({offsets: begin, lengths: 9}, data=bytes(8) + b"x")) is None
    assert broken(tmp_path, tiff({offsets: begin, lengths: 10}, data=bytes(8) + b"x")) == "cut short"
    inside = tiff({330: (1,)}, {offsets: begin, lengths: 9}, data=bytes(8) + b"x")  # in a directory below the first
    assert broken(tmp_path, inside) is None
    assert broken(tmp_path, inside[:-1]) == "cut short"
    next_one = tiff({256: 1}, {offsets: begin, lengths: 9}, data=bytes(8) + b"x", following={0: 1})
    assert broken(tmp_path, next_one) is None
    assert broken(tmp_path, next_one[:-1]) == "cut short"


def test_directories_in_a_circle_end_and_hold_no_picture(tmp_path):
    assert broken(tmp_path, tiff({256: 1}, {257: 1}, following={0: 1, 1: 0})) == "no picture data in it"
    assert broken(tmp_path, tiff({273: begin, 279: 1}, {257: 1}, data=b"x", following={0: 1, 1: 0})) is None


def test_where_a_marker_must_be_there_is_one(tmp_path):
    whole = saved("JPEG", quality=90)
    assert broken(tmp_path, whole, "a.jpg") is None
    for between in (b"\0", b"\xff\0", b"\xff\xd8", b"\xff\xd9"):  # an end before any scan is none
        assert broken(tmp_path, whole[:2] + between + whole[2:], "a.jpg") == "damaged: no marker where one must be"
    assert broken(tmp_path, whole[:2] + b"\xff\xff\xff" + whole[2:], "a.jpg") is None  # filling (T.81, B.1.1.2)
    assert broken(tmp_path, whole[:2] + b"\xff\x01" + whole[2:], "a.jpg") is None  # a marker that stands alone
