"""Where a run that measures the rail stops: so that lead, screw, motor, play and shaking can be told apart."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.measuring_run import MeasureStop
from stacker.documents.rail_profile import RailProfile
from stacker.errors import Refusal
from stacker.motion.step_grid import whole_up
from stacker.motion.take_up import Direction

TURNS = (3, 4)
"""Turns of the screw that are measured: at least, at most."""
_PLACES_A_TURN = 8
_VISITS = 5  # to one place at the begin, in the middle and at the end: who comes back elsewhere was moved
_STRIDE = 11  # no divisor of it but 1 is one of the numbers of places and delays
_CYCLES, _SMALL_STEPS = 3, 49  # electrical cycles of the motor, and stops within them
_CYCLE_FULL_STEPS = 4
_FINE_ENOUGH = 12  # cycles a turn from which on places may lie at whole ones, where the motor's own error is the same
_DELAYS, _SOONEST = 40, 0.02  # the first as a share of the longest
_REVERSAL_MM, _REVERSALS = 0.3, 3.0  # how far a change of direction goes: by itself, and in backlashes as assumed


def reversal(profile: RailProfile) -> int:
    """How far the run goes beyond a stop to come to it from the other side [microsteps]: more than any play."""
    way_um = max(1000 * _REVERSAL_MM, _REVERSALS * profile.backlash_um)
    return whole_up(way_um / profile.microstep_um)


def measure_stops(profile: RailProfile, *, travel: int, settle_s: float) -> tuple[MeasureStop, ...]:
    """The stops of a measuring run, in the order of time.

    Parameters
    ----------
    profile : RailProfile
        What is assumed of the rail so far.
    travel : int
        How far the run may go from where the rail stands, with its sign [microsteps].
    settle_s : float
        How long it waits where it must be at rest; the longest delay, too [s].

    Raises
    ------
    Refusal
        When that is too short for three turns of the screw.
    """
    turn = profile.screw_turn_um / profile.microstep_um
    back = reversal(profile)
    room = abs(travel) - 2 * back
    turns = min(TURNS[1], int(room / turn + 1e-9))
    if turns < TURNS[0]:
        needed_mm = (TURNS[0] * turn + 2 * back) * profile.microstep_um / 1000
        raise Refusal(
            f"--travel-mm: found {abs(travel) * profile.microstep_um / 1000:.3f}; at least {needed_mm:.3f} mm are "
            f"needed, for {TURNS[0]} turns of the screw and for reversals",
            code="short_travel",
        )
    low = min(travel, 0) + back
    cycle = _CYCLE_FULL_STEPS * profile.microsteps_per_full_step
    grid = cycle if turn >= _FINE_ENOUGH * cycle else 1
    home = low + round(turn / grid) * grid
    near_and_far = (home - back, low)
    groups = (
        _visits(home, near_and_far, settle_s),
        _screw(low, turn, turns, grid, settle_s),
        _visits(home, near_and_far, settle_s),
        _small_steps(home, cycle, settle_s),
        _delays(home, low, settle_s),
        _visits(home, near_and_far, settle_s),
    )
    return tuple(stop for group in groups for stop in group)


def _visits(home: int, near_and_far: tuple[int, int], settle_s: float) -> Iterator[MeasureStop]:
    for number in range(_VISITS):
        yield MeasureStop(position=home, part="repeats", approached=1, before=near_and_far[number % 2], wait_s=settle_s)


def _screw(low: int, turn: float, turns: int, grid: int, settle_s: float) -> Iterator[MeasureStop]:
    """Places all over the turns in mixed order, so that drift in time is no drift along the rail, from both sides."""
    count = turns * _PLACES_A_TURN
    places = [low + round(number * turn / _PLACES_A_TURN / grid) * grid for number in range(count)]
    for number in range(count):
        sides: tuple[Direction, Direction] = (1, -1) if number % 2 else (-1, 1)
        for side in sides:
            place = places[number * _STRIDE % count]
            yield MeasureStop(position=place, part="screw", approached=side, wait_s=settle_s)


def _small_steps(home: int, cycle: int, settle_s: float) -> Iterator[MeasureStop]:
    """Through some electrical cycles of the motor, upward; none where there are no microsteps."""
    if cycle < 4 * _CYCLE_FULL_STEPS:
        return
    for number in range(1, _SMALL_STEPS + 1):
        place = home + round(number * _CYCLES * cycle / _SMALL_STEPS)
        yield MeasureStop(position=place, part="microsteps", approached=1, wait_s=settle_s)


def _delays(home: int, low: int, settle_s: float) -> Iterator[MeasureStop]:
    """One and the same move, the shutter sooner and later after it, in mixed order."""
    for number in range(_DELAYS):
        share = _SOONEST ** (1 - (number * _STRIDE % _DELAYS) / (_DELAYS - 1))
        yield MeasureStop(position=home, part="settling", approached=1, before=low, wait_s=settle_s * share)
