"""The table of tube sets for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from stacker.figures import significant
from stacker.planning.tubes import TubeRow
from stacker.presenting.tables import table, wrapped


def tubes_table(rows: Sequence[TubeRow], fills: tuple[float, float]) -> list[str]:
    """What each set of tubes reaches as lines of at most 80 columns.

    Parameters
    ----------
    rows : sequence of TubeRow
        One a set.
    fills : tuple of float
        Shares of the width that a framed subject fills.
    """
    head = ("", "tubes mm", "from x", "to x", "width mm", "w.d. mm", "stops lost", "diffraction")
    cells = [
        [
            "*" if row.frames_subject else "",
            _name(row),
            significant(row.from_magnification),
            significant(row.magnification),
            significant(row.field_mm[0]),
            significant(row.working_distance_mm),
            f"{row.light_loss_stops:.1f}",
            f"f/{significant(row.diffraction_f_number, 2)}",
        ]
        for row in rows
    ]
    lines = table(head, cells, left=2)
    lines += ["", "from x: lens at infinity; the rest at its nearest focus. width: of the field"]
    lines.append("w.d.: working distance, from the lens rim to the subject in focus")
    lines.append("diffraction: marked f-number past which the Airy disk spans three pixels")
    if any(row.working_distance_mm is None for row in rows):
        lines += wrapped("w.d. ?: give --front-offset-mm, or measure from the rim to the subject in focus")
    if any(row.frames_subject for row in rows):
        lines += wrapped(f"*: the subject can be made to fill {fills[0]:.0%} to {fills[1]:.0%} of the width")
    elif rows[0].subject_fills is not None:
        lines += wrapped(_nearest(rows, fills))
    return lines


def _nearest(rows: Sequence[TubeRow], fills: tuple[float, float]) -> str:
    """Which set comes nearest where none frames the subject."""
    # each set misses the wanted shares on one side only: by so much
    reached = [(row, row.subject_fills) for row in rows if row.subject_fills is not None]
    best, (least, most) = min(reached, key=lambda pair: max(fills[0] - pair[1][1], pair[1][0] - fills[1]))
    share = most if most < fills[0] else least
    missing = best.extension_missing_mm
    would = "" if missing is None else f"; {abs(missing)} mm {'more' if missing > 0 else 'less'} extension would do"
    return (
        f"No set makes the subject fill {fills[0]:.0%} to {fills[1]:.0%} of the width; {_name(best)} comes nearest, "
        f"with {share:.0%}{would}"
    )


def _name(row: TubeRow) -> str:
    return "+".join(f"{tube:g}" for tube in row.tubes_mm) or "none"
