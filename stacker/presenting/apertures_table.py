"""The table of f-numbers for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stacker.presenting.tables import duration, significant, table, wrapped


def apertures_table(rows: Sequence[dict[str, Any]], own: float | None, best: float | None) -> list[str]:
    """Rows of `ApertureRow` fields as lines of at most 80 columns.

    Parameters
    ----------
    rows : sequence of dict
        The fields of each row by name.
    own, best : float or None
        Marked f-number of the request, and the one that resolves the wanted detail with the fewest frames.
    """
    head = ("", "marked", "effective", "detail um", "slice um", "frames", "time", "raw GB", "")
    cells = []
    for row in rows:
        sign = "*" if row["f_number"] == best else ">" if row["f_number"] == own else ""
        costs = [
            significant(row["effective_f_number"]),
            significant(row["finest_detail_um"]),
            significant(row["slice_um"]),
            str(row["frames"]),
            duration(row["duration_s"]),
            significant(row["raw_gb"]),
            "diffraction" if row["diffraction"] else "",
        ]
        cells.append([sign, f"f/{row['f_number']:g}", *(["-"] * 6 + ["refused"] if row["refused"] else costs)])
    lines = table(head, cells)
    lines.append("")
    lines.append(">  as requested" + ("    *  fewest frames that resolve the detail" if best is not None else ""))
    if any(row["diffraction"] for row in rows):
        lines.append("diffraction: the Airy disk spans more pixels than focus.airy_pixels")
    for row in rows:
        if row["refused"]:
            lines += wrapped(f"f/{row['f_number']:g} refused: {row['refused']}", indent="  ")
    return lines
