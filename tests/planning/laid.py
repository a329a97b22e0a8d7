"""Planes by plain keywords, as tables of values give them: put into the record that the planner takes."""

from __future__ import annotations

from stacker.planning import coverage
from stacker.planning.coverage import Extent, Planes

_EXTENT = ("depth_um", "end_frames", "lead_error", "beyond_um")


def lay_planes(**keys) -> Planes:
    extent = Extent(**{name: keys.pop(name) for name in _EXTENT if name in keys})
    return coverage.lay_planes(extent, **keys)
