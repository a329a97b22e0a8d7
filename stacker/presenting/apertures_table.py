"""What each f-number buys, for the terminal: a table, and the trade-off as a curve."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stacker.figures import significant
from stacker.planning.apertures import ApertureRow
from stacker.presenting.tables import WIDTH, duration, table, wrapped

_CURVE_ROWS = 12
_MARGIN = 8  # columns left of the curve


def apertures_table(rows: Sequence[ApertureRow], own: float | None, best: float | None) -> list[str]:
    """What each f-number buys as lines of at most 80 columns.

    Parameters
    ----------
    rows : sequence of ApertureRow
        One a marked f-number, perhaps one between.
    own, best : float or None
        F-number of the request, and the one that meets the goal best.
    """
    head = ("", "marked", "effective", "detail um", "slice um", "frames", "time", "raw GB", "")
    cells = []
    for row in rows:
        costs = [
            significant(row.effective_f_number),
            significant(row.finest_detail_um),
            significant(row.slice_um),
            str(row.frames),
            duration(row.duration_s),
            significant(row.raw_gb),
            "diffraction" if row.diffraction else "",
        ]
        sign = _sign(row.f_number, own, best)
        cells.append([sign, f"f/{row.f_number:g}", *(["-"] * 6 + ["refused"] if row.refused else costs)])
    lines = table(head, cells)
    lines.append("")
    lines.append(">  as requested" + ("    *  meets the goal best" if best is not None else ""))
    if any(row.diffraction for row in rows):
        lines.append("diffraction: the Airy disk spans more pixels than focus.airy_pixels")
    for row in rows:
        if row.refused:
            lines += wrapped(f"f/{row.f_number:g} refused: {row.refused}", indent="  ")
    return lines


def _sign(f_number: float, own: float | None, best: float | None) -> str:
    return "*" if f_number == best else ">" if f_number == own else ""


def trade_off(rows: Sequence[ApertureRow], own: float | None, best: float | None) -> list[str]:
    """Frames against the finest detail as a curve of characters, both axes logarithmic; nothing for under two points.

    Parameters
    ----------
    rows, own, best
        As for `apertures_table`.
    """
    points = [
        (row.finest_detail_um, row.frames, row.f_number)
        for row in rows
        if row.finest_detail_um is not None and row.frames is not None
    ]
    if len({frames for _, frames, _ in points}) < 2:
        return []
    details, counts = [detail for detail, _, _ in points], [count for _, count, _ in points]
    fewest, most, finest, coarsest = min(counts), max(counts), min(details), max(details)
    across = WIDTH - _MARGIN - len("o f/99.99") - 1
    canvas = [[" "] * (WIDTH - _MARGIN) for _ in range(_CURVE_ROWS)]
    for detail, count, f_number in sorted(points, key=lambda point: (point[2] != best, point[2] != own)):
        row = round((_CURVE_ROWS - 1) * (1 - _place(count, fewest, most)))
        column = round(across * _place(detail, finest, coarsest))
        label = f"{_sign(f_number, own, best) or 'o'} f/{f_number:g} "
        end = column + len(label)
        if not "".join(canvas[row][max(column - 1, 0) : end]).strip():  # else two points touch: the table has both
            canvas[row][column:end] = label
    scale = {0: str(most), _CURVE_ROWS - 1: str(fewest)}
    lines = ["", "frames"]
    lines += [f"{scale.get(i, ''):>{_MARGIN - 2}} |{''.join(row)}".rstrip() for i, row in enumerate(canvas)]
    left, right = significant(finest), f"{significant(coarsest)} um finest detail"
    lines.append(" " * (_MARGIN - 1) + "+" + "-" * (WIDTH - _MARGIN))
    lines.append(" " * _MARGIN + left + right.rjust(WIDTH - _MARGIN - len(left)))
    return lines


def _place(value: float, least: float, most: float) -> float:
    """Where a value lies between two others, from 0 to 1, by the ratio."""
    return math.log(value / least) / math.log(most / least) if most > least else 0.0


def why_none_meets(
    rows: Sequence[ApertureRow], detail_um: float | None, frames: int | None, minutes: float | None
) -> list[str]:
    """Why no f-number meets the goal: what the rig would need at best."""
    details = [row.finest_detail_um for row in rows if row.finest_detail_um is not None]
    counts = [row.frames for row in rows if row.frames is not None]
    goals = [
        *([f"{detail_um:g} um"] if detail_um is not None else []),
        *([f"{frames} frames"] if frames is not None else []),
        *([f"{minutes:g} minutes"] if minutes is not None else []),
    ]
    limits = []
    if details and detail_um is not None:
        limits.append(f"the finest detail here is {significant(min(details))} um")
    if counts and frames is not None:
        limits.append(f"the fewest frames are {min(counts)}")
    times = [row.duration_s for row in rows if row.duration_s is not None]
    if times and minutes is not None:
        limits.append(f"the shortest stack takes {duration(min(times))}")
    known = f" ({'; '.join(limits)})" if limits else ""
    remedy = (
        "use more magnification for finer detail, and a shallower stack, less overlap or a faster rail for the rest"
    )
    return wrapped(f"No f-number here gives {' and '.join(goals)}{known}: {remedy}.")
