"""The f-number that suits a goal best: exact to a hundredth, though time goes up and down with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property

from stacker.documents.request import Request
from stacker.errors import Refusal
from stacker.planning.apertures import MARKS, ApertureRow, aperture_row, marked_f_number, ring_of
from stacker.records import record

_HUNDREDTHS = 100  # f-numbers are sought to a hundredth: finer than any ring can be set
_SAME = 1 + 1e-9
_REFUSED_RANGE = 2 ** (1 / 8)  # between two refused f-numbers less than a quarter of a stop apart nothing is sought


@record
class Goal:
    """What a person wants of an f-number; ``None`` where it does not matter.

    Attributes
    ----------
    detail_um : float or None
        Line pair to be resolved on the subject.
    frames : int or None
        At most.
    minutes : float or None
        At most.
    """

    detail_um: float | None = None
    frames: int | None = None
    minutes: float | None = None

    def met(self, row: ApertureRow) -> bool:
        """Whether there is a stack that resolves the detail with no more frames and time than sought."""
        if row.frames is None or (self.frames is not None and row.frames > self.frames):
            return False
        if self.minutes is not None and (row.duration_s is None or row.duration_s > self.minutes * 60):
            return False
        return self.detail_um is None or (row.finest_detail_um or 0.0) <= self.detail_um


@record
class _Search:
    """F-numbers in hundredths, each planned at most once."""

    request: Request

    @cached_property
    def _known(self) -> dict[int, ApertureRow]:
        return {}

    def row(self, hundredths: int) -> ApertureRow:
        if hundredths not in self._known:
            self._known[hundredths] = aperture_row(self.request, hundredths / _HUNDREDTHS)
        return self._known[hundredths]

    def first(self, goal: Goal, low: int, high: int, *, rising: bool) -> int | None:
        """The f-number from `low` to `high` that meets a goal: the smallest one if `rising`, else the largest.

        Halves the range until it has one frame count: in that, detail coarsens and time grows with the f-number, so
        that what meets a goal is its lower part. Halves in which nothing can meet it are left out.
        """
        near, far = (low, high) if rising else (high, low)
        if goal.met(self.row(near)):
            return near
        if high - low < 2:
            return far if goal.met(self.row(far)) else None
        wide, narrow = self.row(low), self.row(high)
        if self._hopeless(goal, wide, narrow):
            return None
        if wide.frames is not None and wide.frames == narrow.frames:
            return self._edge(goal.met, low, high) if not rising and goal.met(wide) else None
        middle = (low + high) // 2
        for half in ((low, middle), (middle, high))[:: 1 if rising else -1]:
            found = self.first(goal, *half, rising=rising)
            if found is not None:
                return found
        return None

    def _hopeless(self, goal: Goal, wide: ApertureRow, narrow: ApertureRow) -> bool:
        """Whether no f-number between two that refuse a goal can meet it.

        Between them detail is no finer than at the wide one, frames are no fewer than at the narrow one, and no
        exposure is shorter than at the wide one. Moves that add up to one way take the longer, the more they are; the
        ways differ by what the last plane and the spare ones lie beyond the subject, a few steps.
        """
        if wide.frames is None and narrow.frames is None:
            return narrow.f_number < wide.f_number * _REFUSED_RANGE
        if goal.detail_um is not None and (wide.finest_detail_um or 0.0) > goal.detail_um:
            return True
        if narrow.frames is None:
            return False
        if goal.frames is not None and narrow.frames > goal.frames:
            return True
        if goal.minutes is None or narrow.duration_s is None:
            return False
        shorter_s = (narrow.exposure_s or 0.0) - (wide.exposure_s or 0.0)
        beyond_s = (2 + 2 * self.request.focus.end_frames) * narrow.duration_s / narrow.frames
        return narrow.duration_s - narrow.frames * shorter_s - beyond_s > goal.minutes * 60

    def _edge(self, meets: Callable[[ApertureRow], bool], meeting: int, missing: int) -> int:
        """The last f-number with a property, on the way from one with it to one without."""
        while abs(meeting - missing) > 1:
            middle = (meeting + missing) // 2
            meeting, missing = (middle, missing) if meets(self.row(middle)) else (meeting, middle)
        return meeting


def best_aperture(
    request: Request, goal: Goal, *, least: float = MARKS[0], most: float = MARKS[-1]
) -> ApertureRow | None:
    """The f-number, to a hundredth, that meets a goal best.

    With a detail to resolve that is the one with the fewest frames, without one the finest detail within the budget;
    of equals it is the larger f-number.

    Parameters
    ----------
    request : Request
        Its own f-number counts as one that the lens has, beyond `least` or `most` too.
    goal : Goal
        What matters.
    least, most : float
        Ends of the aperture ring, where the request does not tell them.

    Returns
    -------
    ApertureRow or None
        ``None`` where no f-number meets the goal.

    Raises
    ------
    Refusal
        If the rig has no aperture ring, or minutes are asked of a stack whose time is unknown.

    Notes
    -----
    Stopping down never makes detail finer nor frames more. So the largest f-number that meets a goal has the fewest
    frames; and the smallest within a budget has the finest detail, which larger ones share as long as pixels rule.
    The time is a sawtooth: a lamp needs longer, until the stack has a frame less.
    """
    own = marked_f_number(request)
    if goal.minutes is not None:
        _refuse_unknown_time(aperture_row(request, own))
    search = _Search(request=request)
    low, high = (round(end * _HUNDREDTHS) for end in ring_of(request, widest=least, smallest=most))
    if goal.detail_um is None:
        finest = search.first(goal, low, high, rising=True)
        if finest is None:
            return None
        goal = replace(goal, detail_um=search.row(finest).finest_detail_um)
    assert goal.detail_um is not None
    best = search.first(replace(goal, detail_um=goal.detail_um * _SAME), low, high, rising=False)
    return None if best is None else search.row(best)


def _refuse_unknown_time(row: ApertureRow) -> None:
    if row.refused is None and row.duration_s is None:
        raise Refusal(
            "the time of this stack is not known: describe the light, and a rail with a motor; where a person turns or "
            "presses, give rail.frame_s or rail.shutter.frame_s",
            key="light",
        )
