"""What the options of ``sim://`` mean, for help and page: read from where they are described, beside their fields."""

from __future__ import annotations

import inspect
from dataclasses import fields

from stacker.rail.simulated.options import SimulatedOptions


def described() -> list[tuple[tuple[str, ...], str]]:
    """Names that are described together, and what they mean, in the order of the description."""
    text = inspect.getdoc(SimulatedOptions) or ""  # none where Python leaves out docstrings (-OO)
    found: list[tuple[tuple[str, ...], str]] = []
    for line in text.partition("----------\n")[2].splitlines():
        if line.startswith(" "):
            names, meaning = found[-1]
            found[-1] = (names, f"{meaning} {line.strip()}".strip().replace("``", ""))
        elif line:
            found.append((tuple(line.partition(" : ")[0].split(", ")), ""))
    return found


def defaults() -> dict[str, str]:
    """The default of every option, as it would be written."""
    return {
        field.name: f"{field.default:g}" if isinstance(field.default, float) else str(field.default)
        for field in fields(SimulatedOptions)
    }
