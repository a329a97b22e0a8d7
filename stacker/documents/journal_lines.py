"""The lines of a journal: how one is written, and which of those read can be believed."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

FORMAT = 2
_UNCHECKED = 1  # the format whose lines carry no check code
SYNCED = frozenset(
    {"run", "opens", "found", "resume", "intent", "confirmed", "watched", "undone", "stop", "end"}
)  # on the disk at once
CLOSING = 0  # number of the closing frame
KINDS = ("all", "ends", "frames", "after", "measure")

Record = dict[str, Any]
_CODE = b',"crc":"'
_EXACT = 1 << 53  # whole numbers up to there are exact as floating point ones, and nothing divided by them overflows
_NEEDED_COLUMNS = ("frame", "focus_um", "position_microsteps")


def line_of(record: Record) -> bytes:
    """One line: JSON, its last key the CRC-32 (as of RFC 1952) of all that stands before that key."""
    body = json.dumps(record, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode("utf-8")[:-1]
    return body + _CODE + b'%08x"}\n' % zlib.crc32(body)


class Unsound(Exception):
    """A line that cannot be believed, with what was found and what is accepted."""


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
    rows = _rows(plan)
    if not isinstance(plan.get("digest"), str):
        raise Unsound("plan.digest: not there, or no text")
    check(head, len(rows), first=True)
    return head


def _rows(plan: Record) -> list[Any]:
    """The rows of a plan, after a look at each.

    Raises
    ------
    Unsound
        With what is wrong.
    """
    columns, rows = plan.get("columns"), plan.get("rows")
    if not isinstance(columns, list) or not all(isinstance(name, str) for name in columns):
        raise Unsound("plan.columns: not there, or no names")
    lacking = [name for name in _NEEDED_COLUMNS if name not in columns]
    if lacking or len(set(columns)) != len(columns) or columns[0] != "frame":
        raise Unsound(f"plan.columns: found {_short(columns)}; each once, frame first, with {_NEEDED_COLUMNS}")
    if not isinstance(rows, list) or not rows:
        raise Unsound("plan.rows: not there, or none")
    needed = [columns.index(name) for name in _NEEDED_COLUMNS]
    for number, row in enumerate(rows, start=1):
        if not isinstance(row, list) or len(row) != len(columns) or not all(map(_cell, row)):
            raise Unsound(f"plan.rows: row {number} is {_short(row)}; {len(columns)} numbers are accepted")
        if type(row[0]) is not int or row[0] != number or any(row[place] is None for place in needed):
            raise Unsound(f"plan.rows: row {number} begins {_short(row[:6])}; frames count from 1, each has a place")
    return rows


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


# ---------------------------------------------------------------------------------------------- what a line holds


def _number(value: Any) -> bool:
    return type(value) in (int, float) and abs(value) < _EXACT  # neither infinite nor NaN


def _cell(value: Any) -> bool:
    return value is None or _number(value)


def _integer(value: Any) -> bool:
    return type(value) is int and abs(value) < _EXACT


def _text(value: Any) -> bool:
    return isinstance(value, str) and value.isprintable()


def _time_of_day(value: Any) -> bool:
    try:
        return datetime.fromisoformat(value).tzinfo is not None and 1970 < datetime.fromisoformat(value).year < 9000
    except (TypeError, ValueError):
        return False


def _text_or_none(value: Any) -> bool:
    return value is None or _text(value)


def _axes(value: Any) -> bool:
    """Of each axis nothing, where a person moves it, or what its controller is and from where it counts."""
    return isinstance(value, dict) and all(
        isinstance(axis, dict)
        and (
            not axis
            or (
                (_integer(axis.get("boot")) and _integer(axis.get("origin")))
                and all(_text(axis.get(name)) for name in ("port", "session"))
            )
        )
        for axis in value.values()
    )


_IS: dict[str, tuple[Callable[[Any], bool], str]] = {
    "t_s": (lambda value: _number(value) and value >= 0, "seconds"),
    "delay_s": (_number, "seconds"),
    "utc": (_time_of_day, "a time of day with its zone"),
    "run": (_text, "text"),
    "kind": (lambda value: value in KINDS, f"one of {', '.join(KINDS)}"),
    "profile_digest": (_text, "text"),
    "session": (_text, "text"),
    "before": (_text, "text"),
    "named": (lambda value: isinstance(value, bool), "true or false"),
    "controller": (_text, "text"),
    "port": (_text, "text"),
    "url": (_text_or_none, "text"),
    "boot": (_integer, "a whole number"),
    "shot": (lambda value: _integer(value) and value >= 0, "a whole number from 0"),
    "front_at_microsteps": (_integer, "a whole number"),
    "position_microsteps": (lambda value: value is None or _integer(value), "a whole number"),
    "microsteps_per_mm": (lambda value: _number(value) and 1e-3 <= value <= 1e9, "a number above 0"),
    "warm_up_s": (lambda value: _number(value) and value >= 0, "seconds"),
    "pictures_a_frame": (lambda value: _integer(value) and 1 <= value <= 15, "a whole number from 1 to 15"),
    "lost": (lambda value: isinstance(value, bool), "true or false"),
    "compressed": (lambda value: isinstance(value, bool), "true or false"),
    "refocused": (lambda value: isinstance(value, bool), "true or false"),
    "ours": (lambda value: isinstance(value, bool), "true or false"),
    "evidence": (_text, "text"),
    "seen": (_text, "text"),
    "again": (lambda value: isinstance(value, bool), "true or false"),
    "taken": (lambda value: isinstance(value, bool), "true or false"),
    "panel": (lambda value: _integer(value) and value >= 1, "a whole number from 1"),
    "set": (_text, "text"),
    "axes": (_axes, "a port, a boot, a session and an origin for each axis"),
    "after": (_text_or_none, "the name of a journal"),
}

_MUST: dict[str, tuple[str, ...]] = {
    "run": ("run", "profile_digest", "front_at_microsteps", "microsteps_per_mm", "frames", "boot", "t_s"),
    "opens": ("session", "ours"),
    "found": ("session", "lost"),
    "resume": ("frames", "front_at_microsteps", "boot", "t_s"),
    "intent": ("frame", "shot", "t_s"),
    "exposed": ("frame", "t_s"),
    "confirmed": ("frame", "t_s"),
    "watched": ("frame", "shot", "seen", "again"),
    "undone": ("frame", "shot", "taken"),
    "stop": ("lost",),
}


def check(record: Record, count: int, *, first: bool = False) -> None:
    """Look at each value of a line that anybody reads.

    Raises
    ------
    Unsound
        With key, what was found and what is accepted.
    """
    event = record["event"]
    if (event == "run") != first:
        raise Unsound("a run begins in the first line alone")
    for key in _MUST.get(event, ()):
        if key not in record:
            raise Unsound(f"{key}: not there")
    for key, value in record.items():
        if key == "frame" and not _is_frame(value, count):
            raise Unsound(f"frame: found {_short(value)}; the plan has frames 1 to {count}, the closing frame is 0")
        if key == "frames" and not (isinstance(value, list) and all(_is_frame(frame, count) for frame in value)):
            raise Unsound(f"frames: found {_short(value)}; a list of frames 1 to {count}, the closing frame is 0")
        if key in _IS and not _IS[key][0](value):
            raise Unsound(f"{key}: found {_short(value)}; accepted is {_IS[key][1]}")


def _is_frame(value: Any, count: int) -> bool:
    return type(value) is int and CLOSING <= value <= count


def _short(value: Any) -> str:
    try:
        text = ascii(value)
    except RecursionError:
        return "something nested too deeply"
    return text if len(text) <= 40 else f"{text[:37]}..."
