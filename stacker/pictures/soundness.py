"""Whether a file holds a whole picture, as far as its bytes tell: nothing is decoded, so no reader is needed.

A JPEG is followed from marker to marker to the end of its image; PNG and ISO base media files (HEIF) are followed from
part to part; in a TIFF every strip must lie inside the file. Most raw files are built like a TIFF. Of the others only
this is told: whether they are empty, and how many zeros they end in.

References
----------
.. [1] ITU-T T.81 (JPEG), annex B: markers and segments.
.. [2] TIFF revision 6.0, section 2 (structure) and 3 (strips), 15 (tiles), 22 (JPEG); supplement 1 (SubIFDs).
.. [3] ISO/IEC 15948 (PNG), clause 5: chunks.
.. [4] ISO/IEC 14496-12 (base media file format), clause 4.2: boxes.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO

ZEROS_COUNTED = 1 << 26  # more zeros at the end are as bad as these
_BLOCK = 1 << 16
_MARKER = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")  # none of the stuffed, filling and restart bytes of entropy data
_SCAN, _END, _START = 0xDA, 0xD9, 0xD8
_STANDALONE = {0x01, *range(0xD0, 0xD8)}
_MANY_IFDS = 200
_MANY_PARTS = 1_000_000  # no camera writes so many into one file; a crafted one shall not keep us busy
_CUT, _NO_DATA, _ENDLESS = "cut short", "no picture data in it", "damaged: parts without end"
_IN_ARRAY = {1: "B", 3: "H", 4: "I", 13: "I"}  # TIFF field types that hold offsets and counts
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_OFFSETS_WITH_COUNTS = ((273, 279), (324, 325), (513, 514))  # strips, tiles, an old-style JPEG
_SUB_IFDS = 330


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """What the bytes of a file tell.

    Parameters
    ----------
    lost : str or None
        Why there is no picture in it, whatever its build: "empty".
    broken : str or None
        What is wrong with it by the rules of its build: "cut short".
    followed : bool
        Whether its build is one that could be followed to the end.
    zeros_at_end : int
        How many bytes of 0 it ends in, up to `ZEROS_COUNTED`; 0 where something marks the end of its picture.
    """

    lost: str | None = None
    broken: str | None = None
    followed: bool = False
    zeros_at_end: int = 0

    @property
    def fault(self) -> str | None:
        """Either."""
        return self.lost or self.broken


class _Faulty(Exception):
    """Ends a walk, wherever it is, with what is wrong."""


def look(path: Path) -> Look:
    """Look at the bytes of a picture.

    Parameters
    ----------
    path : Path
        The file; one that cannot be read has that for a fault.
    """
    try:
        with path.open("rb") as file:
            size = file.seek(0, 2)
            if not size:
                return Look(lost="empty")
            zeros = _zeros_at_end(file, size)
            if zeros in (size, ZEROS_COUNTED):
                return Look(lost="zeros instead of a picture")
            if walk := _walk_for(file, path.suffix.lower()):
                walk(file, size)
            return Look(followed=walk is not None, zeros_at_end=zeros if walk in (None, _tiff, _boxes) else 0)
    except _Faulty as faulty:
        return Look(broken=str(faulty), followed=True)
    except OSError as error:
        return Look(lost=f"unreadable ({error.strerror or error})")


def _zeros_at_end(file: BinaryIO, size: int) -> int:
    zeros = 0
    while zeros < min(size, ZEROS_COUNTED):
        start = max(0, size - zeros - _BLOCK)
        file.seek(start)
        block = file.read(size - zeros - start)
        kept = len(block.rstrip(b"\0"))
        zeros += len(block) - kept
        if kept or not block:
            break
    return zeros


def _walk_for(file: BinaryIO, ending: str) -> Callable[[BinaryIO, int], None] | None:
    """How to follow a file: by what it begins with, which its ending must not contradict."""
    file.seek(0)
    start = file.read(12)
    found: dict[str, Callable[[BinaryIO, int], None]] = {}
    if start.startswith(b"\xff\xd8"):
        found = {"JPEG": _jpeg}
    elif start[:4] in (b"II*\0", b"MM\0*"):
        found = {"TIFF": _tiff}
    elif start.startswith(b"\x89PNG\r\n\x1a\n"):
        found = {"PNG": _png}
    elif start[4:8] == b"ftyp":
        found = {"HEIF": _boxes}
    meant = {".jpg": "JPEG", ".jpeg": "JPEG", ".jpe": "JPEG", ".png": "PNG", ".tif": "TIFF", ".tiff": "TIFF"}
    meant |= {".dng": "TIFF", ".heic": "HEIF", ".heif": "HEIF", ".hif": "HEIF"}
    name = meant.get(ending)
    if name and name not in found and start[:4] not in (b"II+\0", b"MM\0+"):  # TIFF with long offsets: not followed
        raise _Faulty(f"no {name} inside, though its name says so")
    return next(iter(found.values()), None)


def _read(file: BinaryIO, count: int) -> bytes:
    data = file.read(count)
    if len(data) < count:
        raise _Faulty(_CUT)
    return data


# ----------------------------------------------------------------------------------------------------------- JPEG


def _jpeg(file: BinaryIO, size: int) -> None:  # noqa: ARG001  # as the other walks
    file.seek(2)
    scans = 0
    for _ in range(_MANY_PARTS):
        marker = _marker(file)
        if marker == _END and scans:
            return
        if marker in (None, _START, _END):
            raise _Faulty("damaged: no marker where one must be")
        if marker in _STANDALONE:
            continue
        (length,) = struct.unpack(">H", _read(file, 2))
        _read(file, max(0, length - 2))  # it counts itself
        if marker == _SCAN:
            scans += 1
            _pass_scan(file)
    raise _Faulty(_ENDLESS)


def _marker(file: BinaryIO) -> int | None:
    """The marker here, behind any number of filling bytes; None where there is none."""
    if _read(file, 1) != b"\xff":
        return None
    code = _read(file, 1)
    while code == b"\xff":
        code = _read(file, 1)
    return code[0] or None


def _pass_scan(file: BinaryIO) -> None:
    """Go to the marker that ends the entropy-coded data here."""
    kept = b""
    while block := file.read(_BLOCK):
        data = kept + block
        if found := _MARKER.search(data):
            file.seek(found.start() - len(data), 1)
            return
        kept = data[-1:] if data.endswith(b"\xff") else b""
    raise _Faulty(_CUT)


# ----------------------------------------------------------------------------------------------------------- TIFF


def _tiff(file: BinaryIO, size: int) -> None:
    """Every directory of the file, and every strip, tile and embedded picture that they name."""
    file.seek(0)
    order = "<" if file.read(2) == b"II" else ">"
    file.seek(4)
    (first,) = struct.unpack(order + "I", _read(file, 4))
    to_see, seen, pieces = [first], set[int](), 0
    while to_see and len(seen) < _MANY_IFDS:
        at = to_see.pop()
        if at == 0 or at in seen:
            continue
        seen.add(at)
        tags, following = _directory(file, order, at, size)
        to_see += [following, *islice(_numbers(file, order, tags.get(_SUB_IFDS)), _MANY_IFDS)]
        for offsets, counts in _OFFSETS_WITH_COUNTS:
            starts, lengths = (_numbers(file, order, tags.get(tag)) for tag in (offsets, counts))
            for start, length in zip(starts, lengths, strict=False):
                pieces += 1
                if start + length > size:
                    raise _Faulty(_CUT)
    if not pieces:
        raise _Faulty(_NO_DATA)


def _directory(file: BinaryIO, order: str, at: int, size: int) -> tuple[dict[int, tuple[int, int, bytes]], int]:
    """Entries of a directory by tag (type, count, value or offset), and where the next one lies."""
    file.seek(at)
    (count,) = struct.unpack(order + "H", _read(file, 2))
    tags = {}
    for tag, kind, number, value in struct.iter_unpack(order + "HHI4s", _read(file, 12 * count)):
        length = _TYPE_BYTES.get(kind, 0) * number
        if length > len(value) and struct.unpack(order + "I", value)[0] + length > size:
            raise _Faulty(_CUT)
        tags[tag] = (kind, number, value)
    (following,) = struct.unpack(order + "I", _read(file, 4))
    return tags, following


def _numbers(file: BinaryIO, order: str, entry: tuple[int, int, bytes] | None) -> Iterator[int]:
    """The whole numbers of an entry; they stand in it where they fit into four bytes."""
    if entry is None or entry[0] not in _IN_ARRAY:
        return iter(())
    kind, number, value = entry
    form = struct.Struct(f"{order}{_IN_ARRAY[kind]}")
    length = form.size * number
    if number > _MANY_PARTS:
        raise _Faulty(_ENDLESS)
    if length > len(value):
        file.seek(struct.unpack(order + "I", value)[0])
        value = _read(file, length)
    return (one for (one,) in form.iter_unpack(value[:length]))


# -------------------------------------------------------------------------------------------- chunks and boxes


def _png(file: BinaryIO, size: int) -> None:
    file.seek(8)
    for _ in range(_MANY_PARTS):
        length, name = struct.unpack(">I4s", _read(file, 8))
        if file.tell() + length + 4 > size:  # its check sum of four bytes follows
            raise _Faulty(_CUT)
        file.seek(length + 4, 1)
        if name == b"IEND":
            return
    raise _Faulty(_ENDLESS)


def _boxes(file: BinaryIO, size: int) -> None:
    at, data = 0, False
    for _ in range(_MANY_PARTS):
        file.seek(at)
        length, name = struct.unpack(">I4s", _read(file, 8))
        data |= name == b"mdat"
        if length == 1:
            (length,) = struct.unpack(">Q", _read(file, 8))
        at += length or size - at  # without a length it goes to the end of the file
        if at >= size:
            break
    if at != size:
        raise _Faulty(_CUT if at > size else _ENDLESS)
    if not data:
        raise _Faulty(_NO_DATA)
