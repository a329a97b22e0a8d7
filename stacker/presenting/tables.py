"""Numbers and tables as a person reads them, in 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

from stacker.figures import significant

WIDTH = 80


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 0) -> list[str]:
    """Align cells under their heads: the first ``left`` columns to the left, the rest to the right."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    gap = "  " if sum(widths) + 2 * (len(head) - 1) <= WIDTH else " "
    out = []
    for row in (head, *rows):
        cells = [
            cell.ljust(width) if i < left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        out.append(gap.join(cells).rstrip())
    return out


def wrapped(text: str, *, first: str = "", indent: str = "") -> list[str]:
    """Text broken at 80 columns; ``first`` stands before the first line, ``indent`` before the others."""
    from textwrap import wrap

    lines = wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
    return lines or [first.rstrip()]


def duration(seconds: float | None) -> str:
    """A time as a person says it: 48 s, 12 min, 1 h 05 min."""
    if seconds is None:
        return "unknown"
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def f_number(value: float | None) -> str:
    """An f-number, f/5.6."""
    return "?" if value is None else f"f/{significant(value)}"
