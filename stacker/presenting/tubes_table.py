"""The table of tube sets for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stacker.figures import significant
from stacker.presenting.tables import table, wrapped


def tubes_table(rows: Sequence[dict[str, Any]], fills: tuple[float, float]) -> list[str]:
    """Rows of `TubeRow` fields as lines of at most 80 columns.

    Parameters
    ----------
    rows : sequence of dict
        The fields of each row by name.
    fills : tuple of float
        Shares of the width that a framed subject fills.
    """
    head = ("", "tubes mm", "from x", "to x", "width mm", "distance mm", "stops lost", "diffraction")
    cells = []
    for row in rows:
        tubes = "+".join(f"{tube:g}" for tube in row["tubes_mm"]) or "none"
        cells.append(
            [
                "*" if row["frames_subject"] else "",
                tubes,
                significant(row["from_magnification"]),
                significant(row["magnification"]),
                significant(row["field_mm"][0]),
                significant(row["working_distance_mm"]),
                f"{row['light_loss_stops']:.1f}",
                f"f/{significant(row['diffraction_f_number'], 2)}",
            ]
        )
    lines = table(head, cells, left=2)
    lines += ["", "from x: lens at infinity; the rest at its nearest focus. width: of the field"]
    lines.append("diffraction: marked f-number past which the Airy disk spans three pixels")
    if any(row["working_distance_mm"] is None for row in rows):
        lines += wrapped("distance ?: give --front-offset-mm, or measure from the rim to the subject in focus")
    if any(row["frames_subject"] is not None for row in rows):
        lines += wrapped(f"*: the subject can be made to fill {fills[0]:.0%} to {fills[1]:.0%} of the width")
    return lines
