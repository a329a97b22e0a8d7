"""When each shutter opens and when the last file is written: the time a stack takes.

Time 0 is the rail at rest at position 0. What is not known (recycling, writing, buffer) is not waited for. By hand only
the pace is known, as a person measured it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stacker.motion.frame_clock import FrameTimes
from stacker.planning.focus_grid import FloatArray
from stacker.records import record

if TYPE_CHECKING:
    from typing_extensions import Self


@record
class Timeline:
    """The times of a stack in shooting order.

    Attributes
    ----------
    start_s : ndarray, shape (n,), or None
        When the shutter of each frame opens, from the rail at rest at position 0 [s]; not known by hand.
    duration_s : float
        When the last file is written, or the last exposure ends where writing is not known [s].
    frame_s : float
        Duration over frames [s].
    """

    start_s: FloatArray | None
    duration_s: float
    frame_s: float

    @classmethod
    def of(cls, frames: Sequence[FrameTimes]) -> Self:
        """Of one frame at least."""
        duration_s = max(frames[-1].free_s, frames[-1].written_s)
        starts_s = np.array([frame.opens_s for frame in frames])
        return cls(start_s=starts_s, duration_s=duration_s, frame_s=duration_s / len(frames))

    @classmethod
    def by_hand(cls, frames: int, frame_s: float) -> Self:
        """Of so many frames at the pace of a person."""
        return cls(start_s=None, duration_s=frames * frame_s, frame_s=frame_s)
