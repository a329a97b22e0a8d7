"""The files of a hand-over under their new names: hard links, or copies; an original is only ever read.

A name appears with its whole file behind it or not at all: copies are written beside it, synced, and then renamed. So
a hand-over that was cut off is gone on with by doing it again: what stands there is compared, the rest is added.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from stacker.documents.files import sync_folder
from stacker.errors import Refusal

_BLOCK = 1 << 20
_BESIDE = re.compile(r"\.(?P<name>.+)\.\d+\.(part|new)")  # what a kill leaves, of ours and of `write_whole`
# What systems lay into a folder that somebody looks at (common practice, no source).
_LITTER = re.compile(r"\.DS_Store|\._.+|Thumbs\.db|desktop\.ini", re.IGNORECASE)
_NAMED = 3  # foreign files that a message names


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """One file to be put somewhere.

    Parameters
    ----------
    source : Path
        The original.
    target : PurePosixPath
        Its new name, relative to the folder of the hand-over.
    """

    source: Path
    target: PurePosixPath


@dataclass(frozen=True, kw_only=True, slots=True)
class Put:
    """What was done with it.

    Parameters
    ----------
    target : PurePosixPath
        As ordered.
    how : str
        ``link``: the same file under a second name; ``copy``.
    was_there : bool
        Whether an earlier hand-over had put it there.
    size : int
        In bytes.
    sha256 : str
        Of its bytes, in hexadecimal digits.
    """

    target: PurePosixPath
    how: str
    was_there: bool
    size: int
    sha256: str


def refuse_place(folder: Path, into: Path) -> None:
    """Refuse to hand over into the folder of the originals, into one of its folders, or into one that it lies in.

    Raises
    ------
    Refusal
        In these cases, or when a file has that name.
    """
    here, there = folder.resolve(), into.resolve()
    if into.exists() and not into.is_dir():
        raise Refusal(f"{into} is a file; name a folder after --into", code="exists")
    if any(_same(place, here) for place in (there, *there.parents)):
        raise Refusal(f"{into} lies in {folder}, where the originals are; name a folder outside of it", code="inside")
    if any(_same(place, there) for place in here.parents):
        raise Refusal(f"{folder} lies in {into}; name a folder of its own after --into", code="inside")


def _same(one: Path, other: Path) -> bool:
    """Whether two names lead to one folder, however they are written."""
    if one == other:
        return True
    try:
        return one.samefile(other)
    except OSError:
        return False


def refuse_foreign(into: Path, orders: Sequence[Order], lists: Sequence[str]) -> None:
    """Refuse a folder that holds anything but files of this very hand-over, or another file under a name of it.

    Parameters
    ----------
    into : Path
        The folder; it need not exist.
    orders : sequence of Order
        All of the hand-over.
    lists : sequence of str
        Names of other files in it that are replaced whole.

    Raises
    ------
    Refusal
        Which names some of them.
    """
    source_of = {order.target: order.source for order in orders}
    allowed = {*source_of, *map(PurePosixPath, lists)}
    homes = {parent for target in allowed for parent in target.parents}
    foreign, other = list[PurePosixPath](), list[PurePosixPath]()
    for path, name in _found(into):
        beside = _BESIDE.fullmatch(name.name)
        if path.is_symlink() or not (
            (name in homes and path.is_dir())
            or (name in allowed and path.is_file())
            or (_LITTER.fullmatch(name.name) and path.is_file())
            or (beside and path.is_file() and name.with_name(beside["name"]) in allowed)
        ):
            if name.parent not in foreign:  # its folder is named already
                foreign.append(name)
        elif name in source_of and path.stat().st_size != source_of[name].stat().st_size:
            other.append(name)
    for names, what in ((foreign, "holds what is not of this hand-over"), (other, "has other files under its names")):
        if names:
            more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
            raise Refusal(
                f"{into} {what}: {', '.join(map(str, names[:_NAMED]))}{more}. Nothing was changed; name a new folder "
                "after --into.",
                code="exists",
            )


def _found(into: Path) -> Iterator[tuple[Path, PurePosixPath]]:
    for path in sorted(into.rglob("*")) if into.is_dir() else ():
        yield path, PurePosixPath(path.relative_to(into).as_posix())


def put_all(orders: Sequence[Order], into: Path, *, copies: bool, told: Callable[[Put], None]) -> list[Put]:
    """Put every file in its place; those that are there are compared byte for byte by their checksums.

    Parameters
    ----------
    orders : sequence of Order
        In order.
    into : Path
        The folder of the hand-over.
    copies : bool
        Copy, even where the file system could link.
    told : callable
        Called with each file when it stands.

    Raises
    ------
    Refusal
        When another file has one of the names, an original changes meanwhile, or the disk has not enough room.
    """
    for path, name in _found(into):
        if _BESIDE.fullmatch(name.name) and path.is_file():
            path.unlink()
    done: list[Put] = []
    link = not copies
    for place, order in enumerate(orders):
        target = into / order.target
        target.parent.mkdir(parents=True, exist_ok=True)
        put = _there(order, target)
        if put is None and link:
            link = _linked(order.source, target)
            put = _there(order, target, was_there=False) if link else None
        if put is None:
            if not any(one.how == "copy" and not one.was_there for one in done):
                _refuse_full(orders[place:], into)
            put = _copied(order, target)
        done.append(put)
        told(put)
    for home in {(into / order.target).parent for order in orders}:
        sync_folder(home)
    return done


def _there(order: Order, target: Path, *, was_there: bool = True) -> Put | None:
    """The file that stands there, if it is the one that was ordered."""
    if not os.path.lexists(target):
        return None
    size, sha256 = _digest(order.source)
    same = target.samefile(order.source)
    if not same and (size, sha256) != _digest(target):
        raise Refusal(f"{target} is there with other bytes than {order.source}; it was left as it is", code="exists")
    return Put(target=order.target, how="link" if same else "copy", was_there=was_there, size=size, sha256=sha256)


def _linked(source: Path, target: Path) -> bool:
    """Whether the file system made a second name for a file (not of a symbolic link that leads to it)."""
    try:
        os.link(source.resolve(), target)
    except FileExistsError:
        raise
    except OSError:  # another disk, or a file system without links
        return False
    return True


def _copied(order: Order, target: Path) -> Put:
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    before = order.source.stat()
    try:
        with order.source.open("rb") as original, beside.open("xb") as copy:
            size, sha256 = _passed_on(original, copy)
            copy.flush()
            os.fsync(copy.fileno())
        status = order.source.stat()
        if (status.st_size, status.st_mtime_ns) != (size, before.st_mtime_ns):
            raise Refusal(f"{order.source} changed while it was copied; call again when nobody writes it", code="busy")
        with contextlib.suppress(OSError):
            os.utime(beside, ns=(status.st_atime_ns, status.st_mtime_ns))  # file times are evidence to `verify`
        if os.path.lexists(target):
            raise FileExistsError(f"{target} appeared meanwhile")
        beside.rename(target)
    finally:
        beside.unlink(missing_ok=True)
    return Put(target=order.target, how="copy", was_there=False, size=size, sha256=sha256)


def _passed_on(original: BinaryIO, copy: BinaryIO | None) -> tuple[int, str]:
    """Bytes and checksum of a file, written on the way."""
    size, checksum = 0, hashlib.sha256()
    while block := original.read(_BLOCK):
        size += len(block)
        checksum.update(block)
        if copy is not None:
            copy.write(block)
    return size, checksum.hexdigest()


def _digest(path: Path) -> tuple[int, str]:
    with path.open("rb") as file:
        return _passed_on(file, None)


def _refuse_full(orders: Sequence[Order], into: Path) -> None:
    needed = sum(order.source.stat().st_size for order in orders if not (into / order.target).exists())
    free = shutil.disk_usage(into).free
    if needed > free:
        raise Refusal(
            f"{into}: the copies take {needed / 1e9:.3g} GB and {free / 1e9:.3g} GB are free; name a folder on the "
            "disk of the originals (hard links take none), or make room",
            code="full",
        )
