"""The journal of a run: what was meant, what happened, what proves it. One JSON object a line, append-only.

A frame goes through three lines. ``intent`` is on the disk before the shutter may fire; ``exposed`` follows the
controller's answer; ``confirmed`` carries the evidence and is on the disk before the rail moves on. An intent
without its confirmation is ambiguous: that frame is shot again, since a duplicate does no harm and a gap does.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from stacker.documents.journal import FORMAT, Past, read_journal
from stacker.driving.durable import DurableFile
from stacker.errors import InputError, Refusal, RunStopped

SYNCED = frozenset({"run", "found", "resume", "intent", "confirmed", "stop", "end"})


class Journal:
    """The writing side.

    Parameters
    ----------
    file : DurableFile
        Open and locked.
    now_s : callable
        Seconds of a monotonic clock; durations in the journal are differences of it.
    """

    def __init__(self, file: DurableFile, now_s: Callable[[], float]) -> None:
        self._file, self._now_s, self._began_s = file, now_s, now_s()
        self.broken = False

    def write(self, event: str, **values: Any) -> None:
        """Append one line, durably where the event demands it.

        Raises
        ------
        RunStopped
            When it cannot be written: then no further frame may be taken.
        """
        record = {"event": event, **values, "t_s": round(self._now_s() - self._began_s, 6)}
        line = json.dumps(record, separators=(",", ":"), ensure_ascii=False, allow_nan=False) + "\n"
        try:
            self._file.write(line.encode("utf-8"))
            if event in SYNCED:
                self._file.sync()
        except OSError as error:
            self.broken = True
            raise RunStopped(
                f"the journal cannot be written ({error.strerror or error}): no further frame. Make room on the disk, "
                "then go on with --resume.",
                code="journal",
            ) from error

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def utc_now() -> str:
    """Time of day for the lines that begin a run or go on with one: the journal's own clock starts anew at each."""
    return datetime.now(timezone.utc).isoformat(timespec="milliseconds")


def create(
    path: Path, now_s: Callable[[], float], header: dict[str, Any], *, opener: Callable[..., DurableFile] = DurableFile
) -> Journal:
    """Begin a new journal; it must not exist.

    Raises
    ------
    Refusal
        When it exists, or its first line cannot be written: then no file is left.
    """
    journal = Journal(opener(path, new=True), now_s)
    try:
        journal.write("run", stacker_journal=FORMAT, utc=utc_now(), **header)
    except RunStopped as stopped:
        journal.close()
        path.unlink()
        raise Refusal(
            f"{path}: cannot be written ({stopped.__cause__}): nothing moved. Make room, or name another --journal.",
            code="journal",
        ) from stopped
    return journal


def reopen(path: Path, *, opener: Callable[..., DurableFile] = DurableFile) -> tuple[DurableFile, Past]:
    """Lock a journal, cut its torn last line off, and read it."""
    file = opener(path, new=False)
    try:
        past = read_journal(path)
        if past.whole_bytes < path.stat().st_size:
            file.cut(past.whole_bytes)
    except BaseException:
        file.close()
        raise
    return file, past


def newest(plan_path: Path) -> Path | None:
    """The journal beside a plan that was begun last."""
    return max(beside(plan_path), key=lambda path: path.name, default=None)


def beside(plan_path: Path) -> list[Path]:
    """All journals beside a plan."""
    name = re.compile(re.escape(_stem(plan_path)) + r"-\d{8}-\d{6}\.run\.jsonl")
    return [path for path in plan_path.parent.glob("*.run.jsonl") if name.fullmatch(path.name)]


def of_this_plan(plan_path: Path, digest: str) -> dict[Path, Past]:
    """The journals beside a plan that belong to it as it stands; those that cannot be read are left out."""
    found = {}
    for path in sorted(beside(plan_path)):
        with contextlib.suppress(InputError):
            if (past := read_journal(path)).digest == digest:
                found[path] = past
    return found


def journal_path(plan_path: Path, stamp: str) -> Path:
    """Where the journal of a run begun at that moment goes: ``NAME-DATE-TIME.run.jsonl``."""
    return plan_path.with_name(f"{_stem(plan_path)}-{stamp}.run.jsonl")


def _stem(plan_path: Path) -> str:
    return plan_path.name.removesuffix(".yaml").removesuffix(".plan")
