"""Files: what those that belong together are called, and writing: one is replaced whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Sequence
from pathlib import Path

from stacker.figures import as_typed

_PLAN = ".plan.yaml"
_BESIDE = ("survey", "target")  # what else is planned of a request: each has a plan of that name


def stem_of(path: Path | str) -> str:
    """What the names of a request, its plan and all that is made of them begin with."""
    name = Path(path).name
    return name.removesuffix(_PLAN) if name.endswith(_PLAN) else name.removesuffix(".yaml").removesuffix(".yml")


def plan_path(request: Path, purpose: str = "stack") -> Path:
    """Where the plan of a request goes, or that of a run before it: beside it."""
    return request.with_name(f"{stem_of(request)}{f'.{purpose}' if purpose in _BESIDE else ''}{_PLAN}")


def request_path(plan: Path) -> Path | None:
    """Where the request of a plan, or of a run before it, lies; None for a plan of another name."""
    if not plan.name.endswith(_PLAN):
        return None
    return plan.with_name(f"{stem_of(plan).removesuffix(f'.{purpose_of(plan)}')}.yaml")


def purpose_of(plan: Path) -> str:
    """What the frames of a plan are for, by its name."""
    return next((purpose for purpose in _BESIDE if stem_of(plan).endswith(f".{purpose}")), "stack")


def plan_command(plan: Path) -> str:
    """What makes a plan again, whatever its frames are for."""
    purpose = purpose_of(plan)
    return f"stacker plan {as_typed(request_path(plan) or plan)}{f' --{purpose}' if purpose in _BESIDE else ''}"


def write_whole(path: Path | str, content: str | bytes | Sequence[bytes | memoryview]) -> None:
    """Write bytes, or UTF-8 text with LF line ends, beside the file, sync it, then put it in the file's place.

    Parameters
    ----------
    path : Path or str
        The file to make or replace; a symbolic link is followed, so that the link survives.
    content : str, bytes, or sequence of bytes or memoryview
        The whole new content, or its parts.

    Raises
    ------
    OSError
        If it cannot be written, or a pipe or a device has that name; what was there is then untouched and nothing is
        left beside it.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():  # a rename would take its place
        raise OSError(errno.EINVAL, "not a regular file", str(path))
    beside = target.with_name(f".{target.name}.{os.getpid()}.new")
    try:
        with beside.open("wb") as file:
            parts = [content.encode("utf-8")] if isinstance(content, str) else content
            file.writelines([parts] if isinstance(parts, bytes) else parts)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            with contextlib.suppress(OSError):  # some file systems know no permissions
                beside.chmod(target.stat().st_mode & 0o777)
        beside.replace(target)
        sync_folder(target.parent)
    except BaseException as error:
        with contextlib.suppress(OSError):
            beside.unlink()
        if isinstance(error, OSError):
            error.filename = str(path)  # what the person named, not what stood beside it
        raise


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder durable where the system can (Windows cannot open a folder)."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
