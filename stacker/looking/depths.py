"""Where the planes of focus of a stack were, frame by frame of its plan: which step was not the planned one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

import numpy as np

from stacker.looking.blur import Smear, smears_of
from stacker.looking.planes import Planes
from stacker.looking.reach import Reach, reach_of
from stacker.looking.seen import FloatArray, Seen
from stacker.looking.standstill import moving, planes_of_run, standstills, when_moving
from stacker.looking.steps import Step
from stacker.looking.through_focus import Curve

_FEW_FIELDS, _FEW_SHARE = (
    4,
    0.03,
)  # still getting sharper by chance: of complete stacks up to 2.4 in a hundred (rendered)
_LIKE_SWAPPED = 0.9  # of three steps together, off what two pictures that changed places make of them
AS_BEFORE = 0.25  # of the planned step: less, and a frame is as the one before


class Optics(Protocol):
    """What the plan's rig does out of focus."""

    def curve(self, pixels: tuple[int, int]) -> Curve:
        """Share of contrast kept, for pictures of so many rows and columns."""

    def seam(self, step_um: float) -> float:
        """Contrast that the finest detail keeps halfway between two planes so far apart [um]."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Between:
    """From one frame to the next deeper one.

    Parameters
    ----------
    frames : (int, int)
        Their numbers, the smaller one first.
    step : Step
        What the pictures tell.
    kept, planned : float or None
        Contrast that the seam between them keeps, and would keep by the plan; None where the step is not told.
    """

    frames: tuple[int, int]
    step: Step
    kept: float | None = None
    planned: float | None = None

    @property
    def as_before(self) -> bool:
        """Whether the one frame surely lies where the other does."""
        return self.step.off and self.step.ratio is not None and abs(self.step.ratio) < AS_BEFORE

    @property
    def gap(self) -> bool:
        """Whether the planes are surely farther apart than planned."""
        return self.step.off and self.step.ratio is not None and self.step.ratio > 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Ends:
    """Whether the frames reach as far as the subject.

    Parameters
    ----------
    first, last : int
        The frames at the ends, in order of depth.
    inside : int
        Fields that are sharpest between them.
    before, beyond : int
        Fields that are still getting sharper at the first, at the last.
    fields : int
        All, those without detail too.
    reason : str or None
        Why it cannot be told.
    """

    first: int
    last: int
    inside: int = 0
    before: int = 0
    beyond: int = 0
    fields: int = 0
    reason: str | None = None

    @property
    def short(self) -> tuple[int, ...]:
        """The end frames, or the one, at which so many fields are still getting sharper that it is no chance."""
        enough = max(_FEW_FIELDS, _FEW_SHARE * (self.inside + self.before + self.beyond))
        ends = ((self.first, self.before), (self.last, self.beyond))
        return tuple(frame for frame, count in ends if count > enough)


@dataclass(frozen=True, kw_only=True, slots=True)
class Depths:
    """What the pictures of a stack tell about its planes of focus.

    Parameters
    ----------
    between : tuple of Between
        One fewer than frames, front to back.
    planes : Planes or None
        The fit behind it.
    soft : tuple of int
        Frames with less fine detail beside coarse than those around them, though none is lost along one way alone.
    ends : Ends or None
        Whether the frames reach as far as the subject.
    smears : dict of int to Smear
        Of each frame, whether something moved along one way; the plan is not needed for that.
    reason : str or None
        Why no step can be told, in words that go on after "cannot tell, because".
    """

    between: tuple[Between, ...] = ()
    planes: Planes | None = None
    soft: tuple[int, ...] = ()
    ends: Ends | None = None
    smears: dict[int, Smear] = field(default_factory=dict)
    reason: str | None = None

    @property
    def smeared(self) -> dict[int, Smear]:
        """Frames that surely are."""
        return {frame: one for frame, one in self.smears.items() if one.way_deg is not None}

    @property
    def off(self) -> tuple[Between, ...]:
        """Steps that are surely not the planned ones."""
        return tuple(one for one in self.between if one.step.off)

    @property
    def astray(self) -> tuple[Between, ...]:
        """Those of them that no two pictures changing places explain."""
        swapped = {frame for pair in self.swapped for frame in pair}
        return tuple(one for one in self.off if not swapped & {*one.frames})

    @property
    def standstills(self) -> tuple[tuple[int, ...], ...]:
        """Frames in a row that show one plane of focus, three or more, by number: each is as the first."""
        runs: list[list[int]] = []
        for one in self.astray:
            if one.as_before and runs and {*one.frames} & {*runs[-1]}:
                runs[-1] += [frame for frame in one.frames if frame not in runs[-1]]
            elif one.as_before:
                runs.append(list(one.frames))
        return tuple(tuple(sorted(run)) for run in runs if len(run) > 2)

    @property
    def swapped(self) -> tuple[tuple[int, int], ...]:
        """Frames of which each shows the depth of the other: one step back, between two of two steps."""
        ratios = [2.0, *(math.nan if one.step.ratio is None else one.step.ratio for one in self.between), 2.0]
        like = [abs(ratios[i] - 2) + abs(ratios[i + 1] + 1) + abs(ratios[i + 2] - 2) for i in range(len(self.between))]
        return tuple(one.frames for one, off in zip(self.between, like, strict=True) if off < _LIKE_SWAPPED)


def depths_of(
    focus_um: Mapping[int, float], seen: Mapping[int, Seen], dark: Sequence[int], optics: Optics | None
) -> Depths:
    """Find where the planes of focus were.

    Parameters
    ----------
    focus_um : mapping of int to float
        Planned depth of each frame [um].
    seen : mapping of int to Seen
        Frames that were looked into, all of one size.
    dark : sequence of int
        Those of them that tell nothing.
    optics : Optics or None
        Of the plan; None where that is not at hand.
    """
    usable = {frame: one for frame, one in seen.items() if frame not in dark}
    if not usable:
        return Depths(reason="no picture tells anything")
    if not all(one.fine.size and one.ways.size for one in usable.values()):
        return Depths(reason="the pictures are too small")
    order = sorted(focus_um, key=lambda frame: focus_um[frame])
    smears = dict(zip(order, smears_of(_each(order, {frame: one.ways for frame, one in usable.items()})), strict=True))
    if optics is None:
        return Depths(smears=smears, reason="the plan of the run is not beside its journal")
    unsmeared = {frame: one.fine for frame, one in usable.items() if smears[frame].way_deg is None}
    energy = _each(order, unsmeared)  # a smear takes fine detail, which looks like another plane of focus
    planned_um, curve = np.array([focus_um[frame] for frame in order]), optics.curve(next(iter(usable.values())).pixels)
    still = standstills(energy)
    found = planes_of_run(energy, planned_um, curve, still)
    if found.silent:  # noise has directions too
        smears = {frame: Smear(tiles=smear.tiles, reason=found.reason) for frame, smear in smears.items()}
    between = tuple(
        _between(pair, step, abs(focus_um[pair[1]] - focus_um[pair[0]]), optics)
        for pair, step in zip(pairwise(order), found.steps, strict=True)
    )
    kept = moving(still)
    ends = _ends(reach_of(energy[kept], when_moving(planned_um, still)[kept], curve), order)
    soft = tuple(sorted(order[place] for place in found.soft))
    return Depths(between=between, planes=found, soft=soft, ends=ends, smears=smears, reason=found.reason)


def _each(order: Sequence[int], known: Mapping[int, FloatArray]) -> FloatArray:
    """An array of each frame in order of depth, nan throughout where there is none."""
    nothing = np.full_like(next(iter(known.values())), np.nan)
    return np.stack([known.get(frame, nothing) for frame in order])


def _ends(reach: Reach, order: Sequence[int]) -> Ends:
    return Ends(
        first=order[0],
        last=order[-1],
        inside=int(np.count_nonzero(reach.inside)),
        before=int(np.count_nonzero(reach.before)),
        beyond=int(np.count_nonzero(reach.beyond)),
        fields=reach.inside.size,
        reason=reach.reason,
    )


def _between(pair: tuple[int, int], step: Step, planned_um: float, optics: Optics) -> Between:
    frames = (min(pair), max(pair))
    if not step.off or step.ratio is None:
        return Between(frames=frames, step=step)
    return Between(frames=frames, step=step, kept=optics.seam(step.ratio * planned_um), planned=optics.seam(planned_um))
