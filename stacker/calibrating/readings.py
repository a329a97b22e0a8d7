"""Dial-indicator readings in a CSV file: where the rail was sent, from which side, and what the indicator showed."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Fault, InputError
from stacker.figures import one_line

_POSITIONS = {"position_mm": 1000.0, "position_microsteps": None}
_READINGS = {"reading_mm": 1000.0, "reading_um": 1.0}
_SIDES = {"up": 1.0, "down": -1.0}
EXAMPLE = "position_mm,reading_mm,approached"


@dataclass(frozen=True, kw_only=True, slots=True)
class Readings:
    """Columns of equal length n.

    Parameters
    ----------
    position_um : ndarray, shape (n,)
        Where the rail was sent, by the lead of its profile [um].
    reading_um : ndarray, shape (n,)
        What the indicator showed [um].
    approached : ndarray, shape (n,)
        1 where the last motion went to larger positions, -1 to smaller ones.
    line : tuple of int
        Line of the file.
    """

    position_um: NDArray[np.float64]
    reading_um: NDArray[np.float64]
    approached: NDArray[np.float64]
    line: tuple[int, ...]

    def without(self, lines: Sequence[int]) -> Readings:
        """The readings of all other lines."""
        kept = [place for place, line in enumerate(self.line) if line not in lines]
        return Readings(
            position_um=self.position_um[kept],
            reading_um=self.reading_um[kept],
            approached=self.approached[kept],
            line=tuple(self.line[place] for place in kept),
        )


def parse_readings(text: str, path: str, *, microstep_um: float) -> Readings:
    """Read a CSV table with the columns `EXAMPLE`, in any order.

    Parameters
    ----------
    text : str
        Commas between values and points in numbers, or semicolons and either sign. Lines from ``#`` on are skipped.
    path : str
        What faults call the file.
    microstep_um : float
        For a column ``position_microsteps`` [um].

    Raises
    ------
    InputError
        With all faults of the file.
    """
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1) if line.split("#")[0].strip()]
    if not lines:
        raise InputError([Fault(path=path, line=0, column=0, key="", text=f"empty; begin with the line '{EXAMPLE}'")])
    separator = ";" if ";" in lines[0][1] else ","
    rows = [(number, _cells(line, separator)) for number, line in lines]
    (first, head), *body = rows
    position, reading = _column(head, _POSITIONS), _column(head, _READINGS)
    if position is None or reading is None or set(head) != {position, reading, "approached"} or len(head) != 3:
        said = one_line(", ".join(head))[:200]
        text = (
            f"found the columns {said}; write position_mm or position_microsteps, reading_mm or reading_um, "
            "and approached (up: the last motion went to larger positions; down: to smaller ones)"
        )
        raise InputError([Fault(path=path, line=first, column=1, key="", text=text)])
    faults: list[Fault] = []
    values = [_row(head, cells, path, number, separator, faults) for number, cells in body]
    if faults:
        raise InputError(faults)
    scale_um = {position: _POSITIONS[position] or microstep_um, reading: _READINGS[reading], "approached": 1.0}
    table = {
        name: np.array([row[place] for row in values], dtype=float) * scale_um[name] for place, name in enumerate(head)
    }
    return Readings(
        position_um=table[position],
        reading_um=table[reading],
        approached=table["approached"],
        line=tuple(number for number, _ in body),
    )


def _cells(line: str, separator: str) -> list[str]:
    """The values of a line; none where it cannot be taken apart."""
    try:
        return [cell.strip() for cell in next(csv.reader([line.split("#", maxsplit=1)[0]], delimiter=separator))]
    except csv.Error:  # a null character, or a value of a hundred thousand
        return []


def _column(head: Sequence[str], names: Sequence[str] | dict[str, float | None] | dict[str, float]) -> str | None:
    given = [name for name in names if name in head]
    return given[0] if len(given) == 1 else None


def _row(
    head: list[str], cells: list[str], path: str, line: int, separator: str, faults: list[Fault]
) -> tuple[float, ...]:
    if len(cells) != len(head):
        hint = ", decimal points, or semicolons between values" if separator == "," else ""
        text = f"found {len(cells)} values under {len(head)} columns; write one a column{hint}"
        faults.append(Fault(path=path, line=line, column=1, key="", text=text))
        return ()
    row = []
    for name, cell in zip(head, cells, strict=True):
        value = _SIDES.get(cell.lower(), math.nan) if name == "approached" else _number(cell, separator)
        if not math.isfinite(value):
            wanted = "up or down" if name == "approached" else "a number"
            found = one_line(cell)[:40]
            faults.append(Fault(path=path, line=line, column=1, key=name, text=f"found '{found}'; write {wanted}"))
        row.append(value)
    return tuple(row)


def _number(cell: str, separator: str) -> float:
    try:
        return float(cell.replace(",", ".") if separator == ";" else cell)
    except ValueError:
        return math.nan
