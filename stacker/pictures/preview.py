"""What stands for a picture when it is looked into: the picture itself, or the largest JPEG inside a raw file.

Raw files of every maker carry finished JPEGs for the camera's own screen, most of them in full size. They are found by
their markers, whatever is around them, so that no reader of raw files is needed.

References
----------
.. [1] ITU-T T.81 (JPEG), annex B: markers, and the frame header that holds the size.
"""

from __future__ import annotations

import base64
import io
import mmap
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stacker.errors import Refusal
from stacker.pictures.raw import DEVELOPED
from stacker.pictures.reading import grey_of, open_picture, read_grey, told_faults

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_START = b"\xff\xd8\xff"
_FRAMES = {0xC0, 0xC1, 0xC2}  # of finished pictures; 0xC3, without loss, is how some makers pack the raw data itself
_SCAN = 0xDA
_MANY_STARTS = 10_000  # no file holds so many; a crafted one shall not keep us busy
_MANY_SEGMENTS = 200
_SMALLEST_PX = 320  # the long side: the little pictures for the camera's list tell nothing


def read_for_looking(path: Path) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """The brightness of a picture as its sensor lay: of a raw file, of the largest JPEG inside.

    Parameters
    ----------
    path : Path
        A JPEG, TIFF or PNG file, or a raw file of any maker.

    Raises
    ------
    Refusal
        When it cannot be read; without Pillow.
    """
    import numpy as np

    if path.suffix.lower() in DEVELOPED:
        return read_grey(path, upright=False)
    with _embedded(path) as file, told_faults(path), open_picture(file) as image:
        image.draft("L", image.size)
        return np.asarray(grey_of(image))


def thumbnail(path: Path, width_px: int) -> str:
    """A small picture as an address that holds it (``data:``), for a page that needs no other file.

    Raises
    ------
    Refusal
        As `read_for_looking`.
    """
    if path.suffix.lower() in DEVELOPED:
        with told_faults(path), open_picture(path) as image:
            return _small(image, width_px)
    with _embedded(path) as file, told_faults(path), open_picture(file) as image:
        return _small(image, width_px)


def _small(image: Any, width_px: int) -> str:
    image.draft("RGB", (width_px, width_px))
    image.thumbnail((width_px, width_px))
    held = io.BytesIO()
    image.convert("RGB").save(held, "JPEG", quality=80)
    return f"data:image/jpeg;base64,{base64.b64encode(held.getvalue()).decode('ascii')}"


@contextmanager
def _embedded(path: Path) -> Iterator[io.BytesIO]:
    """The largest JPEG inside a file, to the file's end: what follows its own end is not read."""
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            found = max(_jpegs(data), default=(0, 0))
            held = io.BytesIO(data[found[1] :]) if found[0] else None
    except (OSError, ValueError) as error:  # ValueError: the file is empty
        raise Refusal(f"{path}: cannot be read ({error})", code="no_picture") from None
    if held is None:
        raise Refusal(f"{path}: found no JPEG inside that is large enough to look into", code="no_preview")
    yield held


def _jpegs(data: mmap.mmap) -> Iterator[tuple[int, int]]:
    """Pixels and place of every JPEG that is large enough."""
    at = -1
    for _ in range(_MANY_STARTS):
        at = data.find(_START, at + 1)
        if at < 0:
            return
        rows, columns = _size(data, at + 2)
        if max(rows, columns) >= _SMALLEST_PX:
            yield rows * columns, at


def _size(data: mmap.mmap, at: int) -> tuple[int, int]:
    """Rows and columns of the JPEG whose first segment is here; zeros where no finished picture follows."""
    for _ in range(_MANY_SEGMENTS):
        head = data[at : at + 9]
        if len(head) < 9 or head[0] != 0xFF or head[1] == _SCAN:
            break
        (length,) = struct.unpack(">H", head[2:4])
        if head[1] in _FRAMES:
            rows, columns = struct.unpack(">HH", head[5:9])
            return (rows, columns) if head[4] == 8 else (0, 0)
        at += 2 + length
    return 0, 0
