"""What the numbers in the names of pictures decide where their times leave a choice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from stacker.verifying.alignment import Alignment, Fit, Window


def told_by_numbers(
    one: Alignment,
    windows: Sequence[Window],
    taken_s: Sequence[float],
    numbers: Sequence[int | None],
    *,
    resolution_s: float,
    slack_s: float,
) -> Alignment:
    """Let the numbers in the names decide where times alone leave a choice.

    A camera counts every exposure, so between two pictures of a leg lie at least as many shots as numbers: more where
    a shot did not fire, as many where a file was deleted.

    Parameters
    ----------
    one : Alignment
        What the times allow.
    windows, taken_s, resolution_s, slack_s
        As for `alignments`.
    numbers : sequence of int or None
        For each picture, as the camera counted.

    Returns
    -------
    Alignment
        The same where the numbers decide nothing.
    """
    used = [picture for picture, shot in enumerate(one.shot_of) if shot is not None]
    if one.open_shots == one.always_open_shots or any(numbers[picture] is None for picture in used):
        return one
    fit = Fit(windows, taken_s, resolution_s, slack_s, 1)
    places = [set(fit.takers(taken_s[picture], one.offset_s)) for picture in used]
    steps = [(numbers[b] or 0) - (numbers[a] or 0) for a, b in pairwise(used)]
    for k, step in enumerate(steps):  # forward: what the pictures before allow
        least = min(places[k], default=len(windows)) + max(step, 1)
        places[k + 1] = {place for place in places[k + 1] if place >= least}
    for k in range(len(steps) - 1, -1, -1):  # backward: what those behind allow
        most = max(places[k + 1], default=-1) - max(steps[k], 1)
        places[k] = {place for place in places[k] if place <= most}
    if not all(places) or min(steps, default=1) < 1:
        return one  # numbers and times contradict each other: somebody renamed, or took a picture in between
    open_shots = {*range(max(places[0])), *range(min(places[-1]) + 1, len(windows))}
    for k, step in enumerate(steps):
        for place in places[k]:
            later = [other for other in places[k + 1] if other - place >= max(step, 1)]
            open_shots.update(range(place + 1, max(later)))
    shot_of = list(one.shot_of)
    for picture, mine in zip(used, places, strict=True):
        shot_of[picture] = min(mine)  # together these are one way to do it
    return replace(
        one,
        shot_of=tuple(shot_of),
        open_shots=frozenset(open_shots),
        always_open_shots=frozenset(open_shots.difference(*places)),
    )
