"""What was seen in pictures, kept beside the journal, so that a second look reads new files alone.

One line of JSON, then the arrays, one behind the other. The file may be deleted at any time; one that is damaged, older
than the program or of another kind counts as none, and whatever it holds is data: nothing in it is run.
"""

from __future__ import annotations

import dataclasses
import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from stacker.documents.files import write_whole
from stacker.looking.seen import Seen
from stacker.pictures.settings import Settings
from stacker.pixels.energy import BANDS, LAGS

VERSION: Final = 3  # raise it whenever another program version would see other things in the same file
BEGINNING: Final = b'{"stacker_looks"'
_ARRAYS = {"light": (2, "<f4"), "fine": (3, "<f4"), "ways": (3, "<f4"), "small": (2, "u1")}  # dimensions, numbers
_MOST_PIXELS = 1 << 20  # along a side
_LARGEST = 1 << 31  # bytes; ten thousand frames take less


@dataclass(frozen=True, slots=True)
class Key:
    """A file as it was: another of that name, or one that was written again, has another size or time."""

    name: str
    size: int
    mtime_ns: int

    @classmethod
    def of(cls, folder: Path, name: str) -> Key:
        """Of a file by its name in a folder."""
        status = (folder / name).stat()
        return cls(name, status.st_size, status.st_mtime_ns)


def kept_beside(journal: Path) -> Path:
    """Where what was seen in the pictures of a run is kept."""
    return journal.with_name(journal.name.removesuffix(".jsonl").removesuffix(".run") + ".looks")


def read_kept(path: Path) -> dict[Key, Seen]:
    """What was seen before; nothing where there is no such file, or it cannot be trusted."""
    try:
        if path.stat().st_size > _LARGEST:
            return {}
        content = path.read_bytes()
        begins = content.index(b"\n") + 1
        told, body = json.loads(content[:begins]), memoryview(content)[begins:]
        if told["stacker_looks"] != VERSION or told["crc32"] != zlib.crc32(body, zlib.crc32(_text(told["files"]))):
            return {}
        kept, at = {}, 0
        for row in told["files"]:
            arrays: dict[str, Any] = {}
            for name, (dimensions, numbers) in _ARRAYS.items():
                shape = tuple(row[name])
                if len(shape) != dimensions or min(shape) < 0:
                    return {}
                arrays[name] = np.frombuffer(body, numbers, math.prod(shape), at).reshape(shape)
                at += arrays[name].nbytes
            rows, columns = map(int, row["pixels"])
            if not (0 < rows < _MOST_PIXELS and 0 < columns < _MOST_PIXELS):
                return {}
            if arrays["fine"].shape[0] != BANDS or arrays["ways"].shape != (len(LAGS), *arrays["fine"].shape[1:]):
                return {}
            kept[Key(*row["key"])] = Seen(pixels=(rows, columns), settings=_settings(row["settings"]), **arrays)
    except (OSError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError, RecursionError, MemoryError):
        return {}  # whatever it is, it is no memory of ours
    return kept


def write_kept(path: Path, seen: Mapping[Key, Seen]) -> None:
    """Keep what was seen; files that could not be read are tried again next time.

    Raises
    ------
    OSError
        If it cannot be written, or another file has its name: nothing is then changed.
    """
    rows: list[dict[str, Any]] = []
    parts: list[memoryview] = []  # of the arrays themselves: a stack's are many megabytes
    for key, one in seen.items():
        if one.fault is None:
            settings = dataclasses.asdict(one.settings)
            arrays = {name: getattr(one, name) for name in _ARRAYS}
            shapes = {name: array.shape for name, array in arrays.items()}
            key_row = [key.name, key.size, key.mtime_ns]
            rows.append({"key": key_row, "pixels": one.pixels, "settings": settings, **shapes})
            parts += [
                np.ascontiguousarray(array, _ARRAYS[name][1]).reshape(-1).view("u1").data
                for name, array in arrays.items()
            ]
    if path.exists():
        with path.open("rb") as file:
            if file.read(len(BEGINNING)) != BEGINNING:
                raise FileExistsError(17, "exists and holds something else", str(path))
    crc = zlib.crc32(_text(rows))
    for part in parts:
        crc = zlib.crc32(part, crc)
    head = {"stacker_looks": VERSION, "crc32": crc, "files": rows}
    write_whole(path, [json.dumps(head).encode("ascii"), b"\n", *parts])


def _settings(told: dict[str, Any]) -> Settings:
    """Numbers where numbers belong, a text where a text does."""
    balance = told.pop("white_balance")
    numbers = {name: None if value is None else float(value) for name, value in told.items()}
    if not all(value is None or 0 < value < math.inf for value in numbers.values()):
        raise ValueError("no such settings")
    return Settings(white_balance=None if balance is None else str(balance), **numbers)


def _text(rows: Any) -> bytes:
    return json.dumps(rows).encode("ascii")
