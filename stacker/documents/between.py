"""Frames taken between two of a plan: how rows are numbered then, and what these numbers are in the plan."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

_NOT_TOLD = {"move_microsteps", "overlap", "start_s"}


def of_between(digest: str, after: Sequence[int]) -> str:
    """What stands for a plan with frames between, as the plan's digest stands for the plan itself."""
    return f"{digest}-between-{'.'.join(map(str, after))}"


def inserted(after: Iterable[int]) -> tuple[int, ...]:
    """Numbers of the frames between, counted with those of the plan.

    Parameters
    ----------
    after : iterable of int
        Each lies behind this frame of the plan, and before the next.
    """
    return tuple(frame + place for place, frame in enumerate(sorted(after), start=1))


def in_the_plan(frames: Iterable[int], after: Sequence[int]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Of numbers counted with the frames between: those of the plan's own frames there, and after which others lie.

    Parameters
    ----------
    frames : iterable of int
    after : sequence of int
        As for `inserted`.
    """
    own, between = [], []
    new = inserted(after)
    for frame in sorted(frames):
        before = sum(one < frame for one in new)
        if frame in new:
            between.append(frame - before - 1)
        else:
            own.append(frame - before)
    return tuple(own), tuple(between)


def with_rows_between(rows: Sequence[Sequence[Any]], columns: Sequence[str], after: Sequence[int]) -> list[list[Any]]:
    """Rows of a plan with one halfway between each of some and the next, numbered anew.

    What changes evenly from frame to frame is the mean of both; a position is a whole microstep. What rests on the row
    before, or on the plan's clock, is told no more.
    """
    number = columns.index("frame")
    made: list[list[Any]] = []
    for row, behind in zip(rows, [*rows[1:], None], strict=True):
        made.append([*row])
        if row[number] in after and behind is not None:
            made.append([_mean(*pair) for pair in zip(row, behind, strict=True)])
    for place, row in enumerate(made, start=1):
        row[number] = place
        for name in _NOT_TOLD & {*columns}:
            row[columns.index(name)] = None
    return made


def _mean(one: Any, other: Any) -> Any:
    if not (isinstance(one, (int, float)) and isinstance(other, (int, float))):
        return None
    return (one + other) // 2 if isinstance(one, int) and isinstance(other, int) else (one + other) / 2
