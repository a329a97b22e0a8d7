"""Which frames to take: all, the ends, some, or what a run left open. The closing frame is number 0."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from stacker.documents.common_frames import by_column, common_frames
from stacker.documents.journal import Past
from stacker.documents.journal_values import CLOSING
from stacker.driving.job import Job
from stacker.errors import Refusal
from stacker.figures import typed_mm


class OfAPlan(Protocol):
    """Whatever says to which plan and rail it belongs: a job for a motor, or for a hand."""

    @property
    def digest(self) -> str:
        """Of the plan."""

    @property
    def profile_digest(self) -> str:
        """Of the rail profile."""


def ends(count: int) -> tuple[int, ...]:
    """Front, middle and back of a stack of that many frames."""
    return tuple(sorted({1, (count + 1) // 2, count}))


def listed(text: str, count: int) -> tuple[int, ...]:
    """Frames as typed: ``41,42`` or ``7-12,20``.

    Raises
    ------
    Refusal
        For anything else, or a frame that the plan does not have.
    """
    chosen: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            raise Refusal(f"--frames: found '{part}'; write frames as 41,42 or 7-12", code="frames")
        low, high = int(first), int(last or first)
        if not 1 <= low <= high <= count:
            raise Refusal(f"--frames: found '{part}'; the plan has frames 1 to {count}", code="frames")
        chosen.update(range(low, high + 1))
    return tuple(sorted(chosen))


def pending_frames(job: OfAPlan, past: Past) -> tuple[int, ...]:
    """What a journal says is still to be taken of this plan.

    Raises
    ------
    Refusal
        When the journal belongs to another plan or rail, or nothing is left.
    """
    if past.digest != job.digest:
        raise Refusal(
            "the journal belongs to another plan (the digests differ). Resume with that plan, or start a new run; the "
            "extra frames of a deeper plan are taken with --after instead of --resume.",
            code="other_plan",
        )
    if past.profile_digest != job.profile_digest:
        raise Refusal("the journal belongs to another rail profile. Resume with that one.", code="other_profile")
    if not past.pending:
        raise Refusal("nothing is left to take: every frame of that run is confirmed.", code="complete")
    return past.pending


def beyond(job: Job, past: Past, front_at: int, earlier: Sequence[Past] = ()) -> tuple[int, ...]:
    """What a plan has beyond the frames that runs of plans before it took.

    Parameters
    ----------
    job : Job
        The new plan.
    past : Past
        The run before it.
    front_at : int
        Rail position of the new plan's position 0 [microsteps].
    earlier : sequence of Past
        Runs that this one in turn began from.

    Raises
    ------
    Refusal
        When the plans do not agree where they meet, the rail is another one, or nothing is left.
    """
    taken: set[int] = set()
    new = by_column(job.columns, job.rows)
    for run in (past, *earlier):
        if run.profile_digest != job.profile_digest:
            raise Refusal("the journal belongs to another rail profile: plan with that one.", code="other_profile")
        shift = run.front_at - front_at
        try:
            shared = common_frames(
                by_column(run.columns, run.rows),
                new,
                shift_microsteps=shift,
                shift_um=shift / job.rail.microsteps_per_mm * 1000,
            )
        except Refusal as refusal:
            if not shift:
                raise
            raise Refusal(
                f"{refusal} The front of that run was at {job.mm(run.front_at):.3f} mm, this plan has it at "
                f"{job.mm(front_at):.3f} mm: for the same front add --front-at-mm {typed_mm(job.mm(run.front_at))}.",
                code=refusal.code,
            ) from refusal
        taken |= {shared[frame] for frame in run.confirmed if frame in shared}
    if taken >= set(range(1, job.count + 1)):
        raise Refusal("nothing is left to take: that run took every frame of this plan.", code="complete")
    return tuple(frame for frame in range(1, job.count + 1) if frame not in taken)


def front_after(job: Job, past: Past, front_at: int | None) -> int:
    """Position 0 of a plan that goes on from an earlier one: as asked, else as its request says, else as it was."""
    return next(place for place in (front_at, job.front_at, past.front_at) if place is not None)


def after_refocusing(job: Job, frames: Iterable[int], *, again: bool) -> tuple[int, ...]:
    """Frames to be taken, widened for a front that was focused again."""
    return widened(frames, job.focus_um, job.dof_um, job.refocus_error_um, again=again)


def widened(
    pending: Iterable[int],
    focus_um: Sequence[float],
    dof_um: Sequence[float],
    error_um: float | None,
    *,
    again: bool = False,
) -> tuple[int, ...]:
    """Frames to take after the front was focused again, when that may be off by `error_um` either way.

    Each run of missing frames is begun early and ended late, until its last neighbour lies an error away: what
    refocusing gets wrong becomes duplicates, not a gap.

    Parameters
    ----------
    pending : iterable of int
        Frames missing.
    focus_um, dof_um : sequence of float
        Of all frames in shooting order [um].
    error_um : float or None
        None: one slice, as thick as the frame at hand's.
    again : bool
        It was focused again before: then two fronts may lie apart by twice the error.
    """
    chosen = set(pending)
    for frame in [number for number in chosen if number != CLOSING]:
        reach_um = (2 if again else 1) * (dof_um[frame - 1] if error_um is None else error_um)
        for step in (-1, 1):
            number = frame
            while 1 <= number + step <= len(focus_um) and abs(focus_um[number - 1] - focus_um[frame - 1]) < reach_um:
                number += step
                chosen.add(number)
    return tuple(sorted(chosen - {CLOSING})) + ((CLOSING,) if CLOSING in chosen else ())
