"""Take-up: every stop is reached from the same side, so that the play of the screw never shows in a position."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal, TypeAlias

from stacker.motion.step_grid import whole_up

Direction: TypeAlias = Literal[1, -1]
"""Of the last motion to every stop: 1 deeper into the subject, -1 out of it."""

TAKE_UP_PER_BACKLASH = 1.25
"""How far a take-up goes, as a share of the backlash: a quarter more than measured, as it grows with wear."""


def take_up_microsteps(*, backlash_um: float, microstep_um: float) -> int:
    """Whole microsteps to travel beyond a stop and back, so that the screw always pushes from the same side.

    Parameters
    ----------
    backlash_um : float
        Lost motion on reversal, as measured [um].
    microstep_um : float
        Travel for one microstep [um].

    Returns
    -------
    int
        `TAKE_UP_PER_BACKLASH` times the backlash, rounded up; 0 without backlash.
    """
    return whole_up(TAKE_UP_PER_BACKLASH * backlash_um / microstep_um)


def before_stop(position: int, *, direction: Direction, take_up: int) -> int:
    """Where the last motion to a stop begins, so that it takes up the play [microsteps]."""
    return position - direction * take_up


def stops(positions: Iterable[int], *, direction: Direction, take_up: int) -> Iterator[tuple[int, ...]]:
    """Where the rail goes for each position: a take-up beyond it where there is one, then the position itself.

    Parameters
    ----------
    positions : iterable of int
        In shooting order, from position 0, where the rail stands before the first [microsteps].
    direction : 1 or -1
        In which every stop is reached.
    take_up : int
        How far a move goes beyond a stop and back [microsteps]: the first one, since nobody knows which way the
        screw was pushed before, and every one against `direction`.

    Yields
    ------
    tuple of int
        One or two absolute positions [microsteps].
    """
    here: int | None = None
    for position in positions:
        turns = here is None or (position - here) * direction < 0
        before = before_stop(position, direction=direction, take_up=take_up)
        yield (before, position) if turns and take_up else (position,)
        here = position


def extent(positions: Sequence[int], *, direction: Direction, take_up: int) -> tuple[int, int]:
    """Lowest and highest position of a run that begins at position 0, take-up included [microsteps]."""
    low, high = min(0, *positions), max(0, *positions)
    return (low - take_up, high) if direction > 0 else (low, high + take_up)
