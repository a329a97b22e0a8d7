"""Files that hold the same bytes: one exposure under two names."""

from __future__ import annotations

import filecmp
from collections.abc import Mapping
from pathlib import Path

_SAMPLE = 4096


def twins_of(size_of: Mapping[Path, int], folder: Path) -> list[tuple[Path, ...]]:
    """Groups of files that hold the same bytes.

    Parameters
    ----------
    size_of : mapping of Path to int
        Sizes in bytes, by paths relative to the folder.
    folder : Path
        Where they are.
    """
    alike: dict[tuple[int, bytes], list[list[Path]]] = {}
    sizes: dict[int, list[Path]] = {}
    for path, size in size_of.items():
        sizes.setdefault(size, []).append(path)
    for size, paths in sizes.items():
        for path in paths if len(paths) > 1 else ():
            groups = alike.setdefault((size, _sample(folder / path, size)), [])
            mine = next((group for group in groups if same_bytes(folder / group[0], folder / path)), None)
            if mine is None:
                groups.append([path])
            else:
                mine.append(path)
    return [tuple(group) for groups in alike.values() for group in groups if len(group) > 1]


def _sample(path: Path, size: int) -> bytes:
    """Some bytes of the middle: of two exposures they differ, so that few files are read whole."""
    try:
        with path.open("rb") as file:
            file.seek(size // 2)
            return file.read(_SAMPLE)
    except OSError:
        return b""


def same_bytes(one: Path, other: Path) -> bool:
    """Whether two files can be read and hold the same."""
    try:
        return filecmp.cmp(one, other, shallow=False)
    except OSError:
        return False
