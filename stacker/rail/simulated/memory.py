"""The files of a simulated rail: its memory and its log.

Their names stand in a URL, which may come with somebody else's profile or plan: each file takes the place of its own
kind alone, and what is read back is checked before anything relies on it.
"""

from __future__ import annotations

import json
import types
from dataclasses import is_dataclass
from pathlib import Path
from typing import Any, Union, get_args, get_origin, get_type_hints

from stacker.errors import Refusal
from stacker.rail.simulated.state import NEVER_S, State

LOG, STATE = b'{"time_s": ', b'{"state": {'  # how they begin; a run's journal begins otherwise
_LARGEST = 4_000_000  # bytes of a memory file; one has two thousand
_MOST = 1e8  # seconds, microsteps a second: finer than a microsecond in a float


def keep_other_files(path: Path, beginning: bytes) -> bool:
    """Whether an older file of that kind stands there.

    Raises
    ------
    Refusal
        When something else does.
    """
    if not path.exists():
        return False
    found = b""
    if path.is_file():
        with path.open("rb") as file:
            found = file.read(len(beginning))
        if not found:
            return False  # an empty file is nobody's
    if found != beginning:
        kind = "log" if beginning == LOG else "state"
        raise Refusal(
            f"{path} exists and is no {kind} of a simulated rail: it was left as it is. Name another file after "
            f"{kind}= in the rail's URL.",
            code="exists",
            key="rail.link.url",
        )
    return True


def recall(path: Path) -> tuple[State, int, float]:
    """The state of a board, how long its log was [bytes], and when both were written [s].

    Raises
    ------
    Refusal
        When the file does not hold what a board writes.
    """
    try:
        saved = json.loads(path.read_text(encoding="utf-8")) if path.stat().st_size <= _LARGEST else {}
        state, log_bytes, wall_s = State.from_json(saved["state"]), saved["log_bytes"], saved["wall_s"]
        octets = [*state.ring, *(byte for _, byte in state.under_way)]
        sound = (
            _fits(saved["state"], State)
            and state.now_s <= _MOST
            and min(state.speed, state.acceleration) > 0
            and all(0 <= byte <= 255 for byte in octets)
            and _fits(log_bytes, int)
            and log_bytes >= 0
            and type(wall_s) is float
        )
    except (KeyError, TypeError, ValueError, RecursionError):
        sound = False
    if not sound:
        raise Refusal(
            f"{path}: its state is not as a simulated rail writes it. Delete it: the rail then stands where a new one "
            "does.",
            code="state",
            key="rail.link.url",
        )
    return state, log_bytes, wall_s


def _fits(value: Any, hint: Any) -> bool:
    """Whether a value from JSON is what a type says, and no number beyond all that a board counts."""
    origin, inner = get_origin(hint), get_args(hint)
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return isinstance(value, dict) and all(name in hints and _fits(value[name], hints[name]) for name in value)
    if origin in (Union, types.UnionType):
        return any(_fits(value, one) for one in inner)
    if origin is dict:
        return isinstance(value, dict) and all(_fits(item, inner[1]) for item in value.values())
    if origin is tuple and ... not in inner:
        return isinstance(value, list) and len(value) == len(inner) and all(map(_fits, value, inner))
    if origin in (list, tuple):
        return isinstance(value, list) and all(_fits(item, inner[0]) for item in value)
    if hint is float:
        return type(value) in (int, float) and (abs(value) <= _MOST or value == NEVER_S)
    if hint is int:
        return type(value) is int and abs(value) < 1 << 53
    return value is None if hint is type(None) else type(value) is hint
