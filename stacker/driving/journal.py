"""The journal of a run: what was meant, what happened, what proves it. One JSON object a line, append-only.

A frame goes through three lines. ``intent`` is on the disk before the shutter may fire; ``exposed`` follows the
controller's answer; ``confirmed`` carries the evidence and is on the disk before the rail moves on. An intent
without its confirmation is ambiguous: that frame is shot again, since a duplicate does no harm and a gap does.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from stacker.documents.journal import Past, lines_of, past_of
from stacker.documents.journal_lines import FORMAT, SYNCED, Lines, line_of
from stacker.documents.source import refuse_no_file
from stacker.driving.durable import DurableFile
from stacker.errors import Refusal, RunStopped


class Journal:
    """The writing side.

    Parameters
    ----------
    file : DurableFile
        Open and locked.
    path : Path
        What it was called when it was opened.
    now_s : callable
        Seconds of a clock that only rises; durations in the journal are differences of it.
    """

    def __init__(self, file: DurableFile, path: Path, now_s: Callable[[], float]) -> None:
        self._file, self.path, self._now_s, self._began_s = file, path, now_s, now_s()
        self.broken = False

    def keep_time(self, now_s: Callable[[], float]) -> None:
        """Begin to count by another clock: that of the rail which goes on."""
        self._now_s, self._began_s = now_s, now_s()

    def write(self, event: str, **values: Any) -> None:
        """Append one line, durably where the event demands it.

        Raises
        ------
        RunStopped
            When it cannot be written: then no further frame may be taken.
        """
        record = {"event": event, **values, "t_s": round(self._now_s() - self._began_s, 6)}
        try:
            self._file.write(line_of(record))
            if event in SYNCED:
                self._file.sync()
        except OSError as error:
            self.broken = True
            raise RunStopped(
                f"the journal cannot be written ({error.strerror or error}): no more frames are taken. Make room on "
                "the disk; --resume takes whatever is missing then.",
                code="journal",
            ) from error

    def past(self) -> Past:
        """What it tells by now, read from the open file: its folder may have been renamed since."""
        lines = lines_of(self.path, self._file.read())
        return past_of(lines.records, lines.whole_bytes)

    @property
    def elsewhere(self) -> bool:
        """Whether its path no longer leads to it."""
        return not self._file.is_at(self.path)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


def utc_now() -> str:
    """Time of day for the lines that begin a run or go on with one: the journal's own clock restarts at each."""
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
    journal = Journal(opener(path, new=True), path, now_s)
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


def reopen(path: Path, *, opener: Callable[..., DurableFile] = DurableFile) -> tuple[DurableFile, Past, str]:
    """Lock a journal, cut a damaged tail off, and read it.

    Returns
    -------
    DurableFile, Past, str
        The file, what it tells, and what was cut; empty for nothing.

    Raises
    ------
    DamagedJournal, InputError
        When it cannot be gone on with; the text names what to do.
    Refusal
        When another run holds it, or what would be cut cannot be kept.
    """
    if path.exists():
        refuse_no_file(path)
    file = opener(path, new=False)
    try:
        data = file.read()
        lines = lines_of(path, data)
        cut = _cut(file, path, data, lines) if lines.bad_line else ""
    except BaseException:
        file.close()
        raise
    return file, past_of(lines.records, lines.whole_bytes), cut


def _cut(file: DurableFile, path: Path, data: bytes, lines: Lines) -> str:
    """Cut off what cannot be believed, once a copy of it is on the disk."""
    tail = data[lines.whole_bytes :]
    number = 1
    while (copy := path.with_name(f"{path.name}.cut-{number}")).exists():
        number += 1
    try:
        kept = DurableFile(copy, new=True)
        try:
            kept.write(tail)
            kept.sync()
        finally:
            kept.close()
    except OSError as error:
        raise Refusal(
            f"{path}: its damaged end is not cut off, since no copy of it can be kept ({error.strerror or error}). "
            "Make room on the disk.",
            code="journal",
        ) from error
    file.cut(lines.whole_bytes)
    return (
        f"{path}: line {lines.bad_line} is damaged ({lines.why}), and no line that counts follows it. "
        f"Cut off there: {len(tail)} bytes, kept in {copy.name}. The frames that they may have confirmed are taken "
        "again."
    )
