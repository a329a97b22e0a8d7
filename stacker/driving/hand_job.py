"""One plan for a hand rail: dial divisions in shooting order."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stacker.documents.journal_values import CLOSING
from stacker.documents.plan import COLUMNS, Plan
from stacker.documents.rail_profile import HandRail
from stacker.driving.job import digest_of
from stacker.motion.take_up import Direction


@dataclass(frozen=True, kw_only=True, slots=True)
class HandJob:
    """One plan for a hand rail; lists run in shooting order, positions count from the front.

    Parameters
    ----------
    name, digest, profile_digest, path
        Of plan and profile.
    positions : tuple of int
        [divisions of the dial].
    focus_um, dof_um : tuple of float
        Depth of the plane of focus, thickness of the slice [um].
    rows, columns : tuple
        The plan's, for the journal.
    direction : int
        Direction from which every stop is reached: 1 into the subject, -1 out of it.
    take_up : int
        How far beyond a stop one goes to come to it from that side [divisions].
    divisions, per_mm : int, float
        Of the dial, a turn and a millimetre.
    refocus_error_um : float or None
        How far off a refocused front may be; None: one slice.
    frame_s : float or None
        What a frame takes, as the person measured it.
    pictures_a_frame : int
        Of a bracket that the camera takes by itself.
    """

    name: str
    digest: str
    profile_digest: str
    path: Path
    positions: tuple[int, ...]
    focus_um: tuple[float, ...]
    dof_um: tuple[float, ...]
    rows: tuple[list[Any], ...]
    columns: tuple[str, ...]
    direction: Direction
    take_up: int
    divisions: int
    per_mm: float
    refocus_error_um: float | None
    frame_s: float | None
    pictures_a_frame: int

    @property
    def count(self) -> int:
        """Frames in the plan."""
        return len(self.positions)

    def position(self, frame: int) -> int:
        """Where the dial stands for a frame [divisions from the front]; the closing frame is frame 1 once more."""
        return self.positions[0 if frame == CLOSING else frame - 1]


def hand_job_of(plan: Plan, rail: HandRail, path: Path) -> HandJob:
    """Translate a plan."""
    frames, request = plan.frames, plan.request
    return HandJob(
        name=plan.name,
        digest=plan.digest,
        profile_digest=digest_of(rail),
        path=path,
        positions=tuple(position for position in frames.position_microsteps if position is not None),  # with a rail all
        focus_um=tuple(frames.focus_um),
        dof_um=tuple(frames.dof_um),
        rows=tuple(list(row) for row in zip(*frames.columns(), strict=True)),
        columns=tuple(COLUMNS),
        direction=request.direction,
        take_up=rail.take_up_microsteps,
        divisions=rail.dial.divisions,
        per_mm=1000 / rail.microstep_um,
        refocus_error_um=request.focus.refocus_error_um,
        frame_s=rail.frame_s,
        pictures_a_frame=request.pictures_a_frame,
    )
