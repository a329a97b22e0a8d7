"""How far the next plane may lie: the step of the stack, zones that ask for a finer one, gaps that need none.

A zone binds every pair of neighbouring planes that shares more than a point with it, so a plane may stand exactly
on either edge and be free on the outer side. Zones cost fine steps only inside: before a zone the step is cut to
end on its edge, unless the zone's own step reaches further.

A gap is crossed in one step, from a plane at or beyond its nearer edge to one at or before its farther edge: half a
slice more than must be is covered on both sides, as at front and back.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np

from stacker.errors import Refusal
from stacker.motion.step_grid import whole_down
from stacker.planning.focus_grid import EXACT_COUNT, FocusGrid, IntArray, PerDepth, at_depths
from stacker.records import record

Reach: TypeAlias = Callable[[IntArray], IntArray]
"""For each stop the deepest stop that the next plane may have. It never falls as stops go deeper."""


@record
class Zone:
    """A depth range with steps of its own.

    Parameters
    ----------
    from_um, to_um : float
        Its edges, `from_um` < `to_um` [um]; 0 is the front of the subject, positive is deeper. It may extend
        beyond the subject.
    step_um : float or callable
        The largest step inside [um], as for the stack. A step larger than the stack's changes nothing.
    """

    from_um: float
    to_um: float
    step_um: PerDepth


@record
class Gap:
    """A depth range in which nothing need be sharp.

    Parameters
    ----------
    from_um, to_um : float
        Its edges, `from_um` above 0 [um]. One that is narrower than a step, or ends before it begins, changes nothing.
    """

    from_um: float
    to_um: float


def free_reach(grid: FocusGrid, step_um: PerDepth) -> Reach:
    """The reach of a step where nothing else binds."""
    if grid.rail_map is None and not callable(step_um):
        hop = min(whole_down(step_um / grid.unit_um), EXACT_COUNT)  # past every subject; more is no integer of numpy
        return lambda stops: stops + hop

    def reach(stops: IntArray) -> IntArray:
        focus_um = grid.focus_um(stops)
        return grid.last_stops(focus_um + at_depths(step_um, focus_um))

    return reach


def bound_reach(grid: FocusGrid, step_um: PerDepth, zones: tuple[Zone, ...] = ()) -> Reach:
    """The reach of the stack's step with all zones heeded."""
    own = free_reach(grid, step_um)
    # Edges move outward to stops: a pair shares more than a point with the zone exactly if it does with these.
    bounds = [
        (grid.last_stop(zone.from_um), grid.first_stop(zone.to_um), free_reach(grid, zone.step_um)) for zone in zones
    ]

    def reach(stops: IntArray) -> IntArray:
        after = own(stops)
        for first, last, zone_own in bounds:
            bound = np.minimum(after, np.maximum(zone_own(stops), first))
            after = np.where(stops < last, bound, after)
        return after

    return reach


def across_gaps(grid: FocusGrid, reach: Reach, gaps: tuple[Gap, ...]) -> Reach:
    """A reach that goes on, from inside of a gap, to the gap's other end."""
    jumps = [(grid.first_stop(gap.from_um), grid.last_stop(gap.to_um)) for gap in gaps]

    def reach_across(stops: IntArray) -> IntArray:
        after = reach(stops)
        for first, last in jumps:
            after = np.where(stops >= first, np.maximum(after, last), after)
        return after

    return reach_across if jumps else reach


def backward(reach: Reach) -> Reach:
    """Turn a reach around: for each stop the frontmost one from which it can still be reached in one step.

    A step toward the front is thus judged by its new plane, like every other pair of planes. Both the given
    stops and the result are as seen from position 0 looking out of the subject: positive toward the front.
    """

    def reach_front(mirrored: IntArray) -> IntArray:
        stops = -mirrored
        within, width = stops, 1  # `within` can reach `stops`, `beyond` cannot
        beyond = stops - width
        while np.any(can := reach(beyond) >= stops):
            width *= 2
            if width > EXACT_COUNT:
                raise Refusal(
                    "all that this lens can focus on in front of the subject lies within one step of it: a spare frame "
                    "there has no place; write focus.end_frames: 0",
                    code="out_of_reach",
                    key="focus.end_frames",
                )
            beyond = np.where(can, beyond - width, beyond)
        while np.any(within - beyond > 1):
            middle = (within + beyond) // 2
            can = reach(middle) >= stops
            within, beyond = np.where(can, middle, within), np.where(can, beyond, middle)
        return -within

    return reach_front
