"""The lines of a journal: how one is written, and which of those read can be believed."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass

from stacker.documents.journal_values import Record, Unsound, check, rows_of

FORMAT = 2
_UNCHECKED = 1  # the format whose lines carry no check code
SYNCED = frozenset(
    {"run", "opens", "found", "resume", "intent", "confirmed", "watched", "undone", "stop", "end"}
)  # on the disk at once
_CODE = b',"crc":"'


def line_of(record: Record) -> bytes:
    """One line: JSON, its last key the CRC-32 (as of RFC 1952) of all that stands before that key."""
    body = json.dumps(record, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode("utf-8")[:-1]
    return body + _CODE + b'%08x"}\n' % zlib.crc32(body)


@dataclass(frozen=True, kw_only=True, slots=True)
class Lines:
    """What can be read of a journal.

    Parameters
    ----------
    records : list of dict
        Up to the first line that cannot be believed; the first one begins a run.
    whole_bytes : int
        How far into the file they go.
    bad_line : int or None
        Number of the line behind them, from 1; None: the file ends there.
    why : str
        What is wrong with that line.
    behind : list of dict
        Good lines behind it.
    """

    records: list[Record]
    whole_bytes: int
    bad_line: int | None
    why: str
    behind: list[Record]

    @property
    def only_a_tail(self) -> bool:
        """Whether nothing that was put on the disk at once stands behind the bad line: then it was the last write."""
        return not any(record["event"] in SYNCED for record in self.behind)


def read_lines(data: bytes) -> Lines:
    """Read the bytes of a journal.

    Raises
    ------
    Unsound
        When its first line does not begin a run; the text says what was found and what is accepted.
    """
    first, *rest = data.split(b"\n")
    if not rest:
        raise Unsound("not a journal, or cut before its first line ended; start a new run")
    head = _header(first)
    frames, checked = len(head["plan"]["rows"]), head["stacker_journal"] != _UNCHECKED
    records, behind, whole_bytes, bad_line, why = [head], list[Record](), len(first) + 1, None, ""
    for number, line in enumerate(rest, start=2):
        torn = number == len(rest) + 1  # behind the last line feed
        if torn and not line:
            break
        try:
            record = _record(line, checked=checked, torn=torn)
            check(record, frames)
        except Unsound as error:
            if bad_line is None:
                bad_line, why = number, str(error)
            continue
        if bad_line is None:
            records.append(record)
            whole_bytes += len(line) + 1
        else:
            behind.append(record)
    return Lines(records=records, whole_bytes=whole_bytes, bad_line=bad_line, why=why, behind=behind)


def _header(line: bytes) -> Record:
    """The line that begins a run.

    Raises
    ------
    Unsound
        When it does not.
    """
    try:
        head = _record(line, checked=False)
    except Unsound as error:
        raise Unsound(
            f"this is no journal ({error}); a run writes NAME-DATE-TIMEZ.run.jsonl. If it was one, its first line is "
            "lost: restore it from a copy, or start a new run"
        ) from None
    if head["event"] != "run" or head.get("stacker_journal") not in (_UNCHECKED, FORMAT):
        raise Unsound(f"not a journal of format {FORMAT}; start a new run")
    if head["stacker_journal"] == FORMAT and _CODE not in line:
        raise Unsound("its first line has lost its check code; restore the file from a copy, or start a new run")
    plan = head.get("plan")
    if not isinstance(plan, dict):
        raise Unsound("plan: not there; a run writes the plan's rows into the first line")
    rows = rows_of(plan)
    if not isinstance(plan.get("digest"), str):
        raise Unsound("plan.digest: not there, or no text")
    check(head, len(rows), first=True)
    return head


def _record(line: bytes, *, checked: bool, torn: bool = False) -> Record:
    """A line without its line feed.

    Raises
    ------
    Unsound
        When it is not one of a journal, or damaged.
    """
    if torn:
        raise Unsound("it does not end")
    try:
        record = json.loads(line)
    except RecursionError:
        raise Unsound("nested too deeply") from None
    except ValueError:
        raise Unsound("not JSON") from None
    if not isinstance(record, dict) or not isinstance(record.get("event"), str):
        raise Unsound("no event")
    body, _, code = line.rpartition(_CODE)
    if (checked or body) and code != b'%08x"}' % zlib.crc32(body):
        raise Unsound("its check code does not fit")
    return record
