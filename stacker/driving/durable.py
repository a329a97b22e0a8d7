"""A file whose bytes are on the disk when it says so, and that one process alone may append to."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from stacker.documents.files import sync_folder
from stacker.errors import Refusal
from stacker.figures import as_typed

if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, 0x7FFFFFFF, os.SEEK_SET)  # a byte far behind the text, so that readers are not kept out
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        os.lseek(descriptor, 0, os.SEEK_END)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _sync(descriptor: int) -> None:
    if sys.platform == "darwin":
        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)  # there fsync leaves the bytes in the drive's own memory
    elif sys.platform == "win32":
        os.fsync(descriptor)
    else:
        os.fdatasync(descriptor)


class DurableFile:
    """An append-only file under a lock.

    Parameters
    ----------
    path : Path
        The file.
    new : bool
        Create it exclusively; otherwise open what is there.

    Raises
    ------
    Refusal
        When it exists already (`new`), or another process holds it.
    """

    def __init__(self, path: Path, *, new: bool) -> None:
        flags = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0) | (os.O_CREAT | os.O_EXCL if new else 0)
        try:
            self._descriptor = os.open(path, flags, 0o644)
        except FileExistsError:
            raise Refusal(
                f"{path}: already exists. Go on with --resume {as_typed(path)}, or name another file with --journal.",
                code="journal_exists",
            ) from None
        try:
            _lock(self._descriptor)
        except OSError:
            os.close(self._descriptor)
            raise Refusal(f"{path}: another run is writing it.", code="journal_locked") from None
        if new:
            sync_folder(path.resolve().parent)

    def cut(self, size: int) -> None:
        """Cut off everything behind `size` bytes."""
        os.ftruncate(self._descriptor, size)
        self.sync()

    def read(self) -> bytes:
        """Everything in it."""
        os.lseek(self._descriptor, 0, os.SEEK_SET)  # what is written goes to the end all the same
        parts = []
        while part := os.read(self._descriptor, 1 << 20):
            parts.append(part)
        return b"".join(parts)

    def is_at(self, path: Path) -> bool:
        """Whether a path leads to this file."""
        try:
            return os.path.samestat(os.fstat(self._descriptor), path.stat())
        except OSError:
            return False

    def write(self, data: bytes) -> None:
        """Append all of it or raise."""
        view = memoryview(data)
        while view:
            view = view[os.write(self._descriptor, view) :]

    def sync(self) -> None:
        """Return when everything written is on the disk."""
        _sync(self._descriptor)

    def close(self) -> None:
        """Let go of file and lock."""
        os.close(self._descriptor)
