"""What the lines of a journal hold: each value that anybody reads, and what is accepted of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from itertools import pairwise
from typing import Any

CLOSING = 0  # number of the closing frame
KINDS = ("all", "ends", "frames", "between", "after", "measure")

Record = dict[str, Any]
_EXACT = 1 << 53  # whole numbers up to there are exact as floating point ones, and nothing divided by them overflows
_NEEDED_COLUMNS = ("frame", "focus_um", "position_microsteps")


class Unsound(Exception):
    """A line that cannot be believed, with what was found and what is accepted."""


def rows_of(plan: Record) -> list[Any]:
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


def _rising(value: Any) -> bool:
    return (
        isinstance(value, list)
        and all(_integer(one) and one >= 1 for one in value)
        and all(one < other for one, other in pairwise(value))
    )


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
    "between": (_rising, "frames in order"),
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
