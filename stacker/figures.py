"""Figures as a person reads them, and names of files as they are typed."""

from __future__ import annotations


def significant(value: float | None, digits: int = 3) -> str:
    """A number to a few significant digits, never in exponents between a thousandth and 10^9; '?' for none."""
    if value is None:
        return "?"
    if value == 0:
        return "0"
    text = f"{value:.{digits}g}"
    if "e" in text:
        return f"{value:.0f}" if 1 <= abs(value) < 1e9 else text
    return text


def as_typed(path: object) -> str:
    """A path as part of a command: in quotes where it has a space, which all shells understand."""
    text = str(path)
    return f'"{text}"' if " " in text else text
