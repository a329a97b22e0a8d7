"""The depths that a rail can focus on: whole steps of the rail, and the plane of focus that each one gives.

When the camera or the subject moves, rail and plane of focus move alike. When the rear standard of a bellows
moves, they do not, and it is the rail that stops on whole microsteps.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal
from stacker.motion.step_grid import whole_down_each
from stacker.records import record

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
Curve: TypeAlias = Callable[[FloatArray], FloatArray]
PerDepth: TypeAlias = float | Curve
"""A length that is the same at every depth, or a function of depth [um] that takes and returns an array."""

EXACT_COUNT = 2**53  # up to here a double still tells every whole number from the next


@record
class FocusRailMap:
    """Rail travel against depth where the two differ; both 0 at the front, both growing deeper into the subject.

    Parameters
    ----------
    to_rail_um : callable
        Rail travel from position 0 [um] for an array of depths [um]; strictly increasing.
    to_focus_um : callable
        Its inverse.
    """

    to_rail_um: Curve
    to_focus_um: Curve


@record
class FocusGrid:
    """Whole rail steps, counted from position 0 and positive into the subject, against depth.

    Parameters
    ----------
    unit_um : float
        Rail travel for one step [um]: a microstep, a dial division, or 1 um.
    rail_map : FocusRailMap or None
        None where rail and plane of focus move alike.
    """

    unit_um: float
    rail_map: FocusRailMap | None = None

    def rail_um(self, stops: IntArray) -> FloatArray:
        """Rail travel from position 0 to each stop [um]."""
        travel_um: FloatArray = np.multiply(stops, self.unit_um)
        return travel_um

    def focus_um(self, stops: IntArray) -> FloatArray:
        """Depth of the plane of focus at each stop [um]."""
        rail_um = self.rail_um(stops)
        return rail_um if self.rail_map is None else self.rail_map.to_focus_um(rail_um)

    def steps(self, focus_um: FloatArray) -> FloatArray:
        """Depths in rail steps from position 0, not yet whole.

        Raises
        ------
        Refusal
            If a depth is beyond what the rail can count or the lens can focus on.
        """
        rail_um = focus_um if self.rail_map is None else self.rail_map.to_rail_um(focus_um)
        steps = rail_um / self.unit_um
        if not np.all(np.abs(steps) < EXACT_COUNT):
            worst_um = focus_um[~(np.abs(steps) < EXACT_COUNT)][0]
            raise Refusal(
                f"A depth of {worst_um:.6g} um cannot be reached in rail steps of {self.unit_um:.6g} um;"
                " check the depth and the rail.",
                code="out_of_reach",
                key="subject.depth_mm",
            )
        return steps

    def last_stops(self, focus_um: FloatArray) -> IntArray:
        """The last stop at or before each depth."""
        return whole_down_each(self.steps(focus_um))

    def first_stop(self, focus_um: float) -> int:
        """The first stop at or beyond a depth."""
        return -int(whole_down_each(-self.steps(np.array([focus_um])))[0])

    def last_stop(self, focus_um: float) -> int:
        """The last stop at or before a depth."""
        return int(self.last_stops(np.array([focus_um]))[0])


def at_depths(value: PerDepth, focus_um: FloatArray) -> FloatArray:
    """A `PerDepth` at every depth of an array [um]."""
    return value(focus_um) if callable(value) else np.full_like(focus_um, value)
