"""The stops of a run that measures the rail itself, as rows of its journal: written by driving, read by calibrating."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from stacker.motion.take_up import Direction

KIND = "measure"
NEXT = "stacker calibrate rail PROFILE --across FOLDER --journal JOURNAL"
COLUMNS = (
    "frame",
    "focus_um",
    "position_microsteps",
    "part",
    "approached",
    "before_microsteps",
    "wait_s",
    "exposure_s",
)
PARTS = ("repeats", "screw", "microsteps", "settling")
"""What a stop is for; its number in a row counts from 1.

The same place again and again; places all over several turns of the screw, from both sides; one small step after
another; the shutter sooner and later after one and the same move.
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasureStop:
    """One stop with one exposure.

    Parameters
    ----------
    position : int
        From where the rail stood before the run [microsteps].
    part : str
        One of `PARTS`.
    approached : int
        1 where the last motion goes to larger positions, -1 to smaller ones.
    before : int or None
        Where the rail goes first, far enough to take up all play on the way back [microsteps]; None: the shortest way.
    wait_s : float
        From arrival to the closing of the shutter contact, at least [s].
    """

    position: int
    part: str
    approached: Direction
    wait_s: float
    before: int | None = None


def rows_of(stops: Iterable[MeasureStop], *, microstep_um: float, exposure_s: float) -> tuple[list[Any], ...]:
    """The stops as rows of a journal, under `COLUMNS`."""
    return tuple(
        [
            frame,
            stop.position * microstep_um,
            stop.position,
            PARTS.index(stop.part) + 1,
            stop.approached,
            stop.before,
            round(stop.wait_s, 4),
            exposure_s,
        ]
        for frame, stop in enumerate(stops, start=1)
    )


def longest_exposure_s(rows: Iterable[Sequence[Any]]) -> float:
    """How long the shutter was open, at most [s]; of rows that `stops_of` takes."""
    return max((float(row[-1] or 0) for row in rows), default=0.0)


def stops_of(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> list[MeasureStop] | None:
    """The stops in the rows of a journal; None where they are of another kind of run."""
    if tuple(columns) != COLUMNS:
        return None
    stops = []
    for _, _, position, part, approached, before, wait_s, _ in rows:
        if type(part) is not int or not 1 <= part <= len(PARTS) or approached not in (1, -1) or wait_s is None:
            return None
        stops.append(
            MeasureStop(position=position, part=PARTS[part - 1], approached=approached, before=before, wait_s=wait_s)
        )
    return stops
