"""What the options of a simulated rail may be: a URL may come with somebody else's profile."""

from __future__ import annotations

import re
from collections.abc import Mapping

_FAR = 1 << 30  # microsteps: what the line protocol has room for
_DIVIDE = ("travel", "turn", "per_mm", "top_speed", "top_acceleration")
_SHARES = ("damage", "drop", "double", "flip", "delay", "lose_line", "double_line")
_SHAPES = {
    "lose": (re.compile(r"([0-9]{1,9}:-?[0-9]{1,9})?"), "K:N, two whole numbers"),
    "name": (re.compile(r"[A-Za-z0-9_.+-]{1,24}"), "up to 24 letters and figures"),
}


def unfit(values: Mapping[str, str | int | float]) -> str | None:
    """The first option that no rail can have, and what is accepted; ``None`` where all can be."""
    for key, value in values.items():
        if key in _SHAPES:
            shape, accepted = _SHAPES[key]
            if not shape.fullmatch(str(value)):
                return f"{key} is {accepted}"
        elif isinstance(value, int):
            least = 300 if key == "baud" else 1 if key in _DIVIDE else -1
            if not least <= value <= _FAR:
                return f"{key} is a whole number from {least} to {_FAR}"
        elif key == "time_scale":
            if not value > 0:  # type: ignore[operator]  # no text: see the table of options
                return "time_scale is a number above 0, or inf"
        elif isinstance(value, float):
            most = 1 if key in _SHARES else 1_000_000
            if not 0 <= value <= most:
                return f"{key} is a number from 0 to {most}"
    return None
