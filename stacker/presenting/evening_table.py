"""An evening as a table for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from stacker.figures import significant
from stacker.planning.evening import Evening
from stacker.presenting.tables import duration, table, wrapped

_NAME_WIDTH = 22


def evening_table(evening: Evening, *, starts: datetime, setup_s: float) -> list[str]:
    """The stacks in order and the sums, as lines of at most 80 columns.

    Parameters
    ----------
    evening : Evening
        The stacks of an evening, added up.
    starts : datetime
        When the first stack begins, by the clock on the wall.
    setup_s : float
        Between two stacks [s].
    """
    head = ("stack", "frames", "begins", "ends", "time", "raw GB", "on card", "batteries")
    rows = [
        [
            _short(stack.name),
            str(stack.frames),
            clock(starts, stack.begins_s),
            clock(starts, stack.ends_s),
            duration(stack.duration_s),
            significant(stack.raw_gb),
            _span(stack.cards),
            "?" if stack.charges is None else f"{stack.charges:.1f}",
        ]
        for stack in evening.stacks
    ]
    return [*table(head, rows, left=1), "", *_sums(evening, starts, setup_s)]


def _sums(evening: Evening, starts: datetime, setup_s: float) -> list[str]:
    unknown = evening.unknown
    least = "at least " if unknown else ""
    lines = [f"hours      {least}{duration(evening.duration_s)}, {setup_s / 60:g} min between stacks"]
    if any(text.endswith(": time") for text in unknown):
        lines.append("finish     unknown")
    else:
        lines.append(f"finish     {clock(starts, evening.duration_s)}")
    filled = ", ".join(f"card {n} {significant(gb)} GB" for n, gb in enumerate(evening.card_gb, start=1))
    lines += wrapped(
        f"{significant(evening.raw_gb)} GB raw" + (f": {filled}" if filled else ", cards unknown"),
        first="files      ",
        indent=" " * 11,
    )
    for stack in evening.stacks:
        if len(stack.cards) > 1:
            lines += wrapped(
                f"{stack.name} does not fit on one card, and changing it in the middle of the stack moves the camera; "
                "use a larger one",
                first="card       ",
                indent=" " * 11,
            )
    lines.append(f"batteries  {least}{evening.batteries}, with the camera left on during set-up")
    lines += wrapped(_space(evening), first="space      ", indent=" " * 11)
    if unknown:
        lines += wrapped("; ".join(unknown), first="not known  ", indent=" " * 11)
    return lines


def _space(evening: Evening) -> str:
    count, all_gb = len(evening.stacks), significant(evening.working_gb)
    if count == 1:
        return f"{all_gb} GB for blending"
    together = "both" if count == 2 else f"all {count}"
    largest = significant(evening.largest_working_gb)
    return f"{all_gb} GB to keep {together} open for blending, {largest} GB for the largest alone"


def clock(starts: datetime, after_s: float | None) -> str:
    """Time of day, with the days that lie between."""
    if after_s is None:
        return "?"
    then = starts + timedelta(seconds=after_s)
    days = (then.date() - starts.date()).days
    return f"{then:%H:%M}" + (f" +{days} d" if days else "")


def _short(name: str) -> str:
    return name if len(name) <= _NAME_WIDTH else name[: _NAME_WIDTH - 3] + "..."


def _span(cards: Sequence[int]) -> str:
    if not cards:
        return "?"
    return str(cards[0]) if cards[0] == cards[-1] else f"{cards[0]}-{cards[-1]}"
