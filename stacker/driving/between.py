"""A job with frames between those of its plan, where a seam shall be finer than planned."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from stacker.documents.between import of_between, with_rows_between
from stacker.driving.job import Job
from stacker.errors import Refusal

_PAIR = re.compile(r"\s*(\d{1,9})\s*,\s*(\d{1,9})\s*")


def listed_pairs(pairs: Sequence[str], count: int) -> tuple[int, ...]:
    """The frames of the plan after which one is to be taken, from pairs as typed: ``5,6``.

    Raises
    ------
    Refusal
        For anything else than two frames of the plan, one behind the other.
    """
    after = set()
    for text in pairs:
        typed = _PAIR.fullmatch(text)
        one, other = sorted(map(int, typed.groups())) if typed else (0, 0)
        if not 1 <= one < count or other != one + 1:
            raise Refusal(
                f"--between: found '{text}'; write two frames one behind the other, of 1 to {count}, as 5,6",
                code="between",
            )
        after.add(one)
    return tuple(sorted(after))


def with_frames_between(job: Job, after: Sequence[int]) -> Job:
    """The job counted with a frame behind each of some.

    Raises
    ------
    Refusal
        Where two frames are so close that the rail has no place between them.
    """
    for frame in after:
        if not 1 <= frame < job.count:
            raise Refusal(f"there is no place between frames {frame} and {frame + 1} of the plan.", code="between")
        if abs(job.positions[frame] - job.positions[frame - 1]) < 2:
            raise Refusal(
                f"--between {frame},{frame + 1}: they lie one microstep apart, and the rail has no place between them.",
                code="between",
            )
    rows = tuple(with_rows_between(job.rows, job.columns, after))
    column = dict(zip(job.columns, zip(*rows, strict=True), strict=True))
    exposure_s: list[float] = []
    for frame, own_s in enumerate(job.exposure_s, start=1):
        exposure_s += [own_s, (own_s + job.exposure_s[frame]) / 2] if frame in after else [own_s]
    return replace(
        job,
        digest=of_between(job.digest, after),
        positions=column["position_microsteps"],
        focus_um=column["focus_um"],
        dof_um=column["dof_um"],
        exposure_s=tuple(exposure_s),
        start_s=None,
        duration_s=None,
        rows=rows,
        between=tuple(after),
    )
