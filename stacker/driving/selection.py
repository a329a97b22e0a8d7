"""Which frames to take: all, the ends, some, or what a run left open. The closing frame is number 0."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stacker.documents.journal import CLOSING, Past
from stacker.driving.job import Job
from stacker.errors import Refusal


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


def left_open(job: Job, past: Past) -> tuple[int, ...]:
    """What a journal says is still to be taken of this plan.

    Raises
    ------
    Refusal
        When the journal belongs to another plan or rail, or nothing is left.
    """
    if past.digest != job.digest:
        raise Refusal(
            "the journal belongs to another plan (the digests differ). Resume with that plan, or start a new run.",
            code="other_plan",
        )
    if past.profile_digest != job.profile_digest:
        raise Refusal("the journal belongs to another rail profile. Resume with that one.", code="other_profile")
    if not past.pending:
        raise Refusal("nothing is left to do: every frame of that run is confirmed.", code="complete")
    return past.pending


def after_refocusing(job: Job, past: Past) -> tuple[int, ...]:
    """What a journal left open, widened for a front that was focused again."""
    return widened(past.pending, job.focus_um, job.dof_um, job.refocus_error_um, again=past.refocused)


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
        It was focused anew before: then two fronts may lie apart by twice the error.
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
