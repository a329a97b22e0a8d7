"""Several parts of a run together: after a stop the journal's clock restarts, the camera's goes on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stacker.verifying.alignment import Alignment, Window, no_picture

_AGREE_S = 1.5  # the clocks of camera and computer against each other, over one evening
_DRIFT = 1e-4  # and how they drift apart over days: 9 s a day


@dataclass(frozen=True, kw_only=True, slots=True)
class Leg:
    """A part of a run with one clock: from its start or a resume to its end.

    Parameters
    ----------
    begins_s : float or None
        Time of day at 0 of its clock [s]; None: not written down.
    windows : tuple of Window
        Of its shots.
    """

    begins_s: float | None
    windows: tuple[Window, ...]


def best_together(legs: Sequence[Leg], choices: Sequence[Sequence[Alignment]]) -> list[list[Alignment]]:
    """For each leg the alignments that take part in some best choice for all.

    Legs follow one another in time, a picture belongs to one of them, and where the time of day is known the camera's
    clock must be off by the same.

    Parameters
    ----------
    legs, choices : sequence
        The legs in order, and the alignments of each.

    Returns
    -------
    list of list of Alignment
    """
    if len(legs) > 1:  # all pictures of a leg may be gone: else it would have to borrow those of another
        pictures = max(len(options[0].shot_of) for options in choices)
        choices = [
            [*options, no_picture(len(leg.windows), pictures)] for leg, options in zip(legs, choices, strict=True)
        ]
    ahead = _sums(legs, choices, range(len(legs)))
    back = _sums(legs, choices, range(len(legs) - 1, -1, -1))
    total = max((value for value in ahead[-1] if value is not None), default=None)
    out: list[list[Alignment]] = []
    for leg, options in enumerate(choices):
        kept = []
        for option, forward, backward in zip(options, ahead[leg], back[leg], strict=True):
            if forward is not None and backward is not None and forward + backward - option.count == total:
                kept.append(option)
        out.append(kept)
    return out


def _sums(legs: Sequence[Leg], choices: Sequence[Sequence[Alignment]], order: range) -> list[list[int | None]]:
    """Best sum of pictures up to and with each alignment, along the legs in one direction."""
    sums: list[list[int | None]] = [[] for _ in legs]
    before: int | None = None
    for leg in order:
        for option in choices[leg]:
            if before is None:
                sums[leg].append(option.count)
                continue
            fitting = [
                value
                for other, value in zip(choices[before], sums[before], strict=True)
                if value is not None and _agree(legs, (before, other), (leg, option))
            ]
            sums[leg].append(max(fitting) + option.count if fitting else None)
        before = leg
    return sums


def _agree(legs: Sequence[Leg], one: tuple[int, Alignment], other: tuple[int, Alignment]) -> bool:
    (first, a), (second, b) = (one, other) if one[0] < other[0] else (other, one)
    if a.reach is None or b.reach is None:
        return True
    if a.reach[1] >= b.reach[0]:
        return False
    begins_s, goes_on_s = legs[first].begins_s, legs[second].begins_s
    if begins_s is None or goes_on_s is None:
        return True
    return abs((a.offset_s - begins_s) - (b.offset_s - goes_on_s)) <= _AGREE_S + _DRIFT * abs(goes_on_s - begins_s)
