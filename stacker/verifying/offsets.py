"""By how much a camera's clock may be off: every offset at which pictures fit the shots of a journal, best first."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from itertools import pairwise
from math import floor

_FEW_PAIRS = 400_000  # beyond so many pairs of shot and picture, offsets are first sought with some of the shots
_NEAR_BEST = 0.93  # then with all of them wherever those gave nearly as many pictures
_APART_S = 60.0


def likely_offsets(
    low_s: Sequence[float], high_s: Sequence[float], taken_s: Sequence[float], *, cell_s: float
) -> list[tuple[int, float]]:
    """Offsets worth a try with no fewer pictures than could fit there, most first.

    Parameters
    ----------
    low_s, high_s : sequence of float
        Bounds of the shots, rising [s].
    taken_s : sequence of float
        Capture times, rising [s].
    cell_s : float
        The offsets returned lie so far apart: the true one is within half of it from the middle of its cell [s].

    Returns
    -------
    list of tuple
        Pictures that could fit there at most, and the offset [s].
    """
    shots, everywhere = list(zip(low_s, high_s, strict=True)), (float("-inf"), float("inf"))
    every = -(-len(shots) * len(taken_s) // _FEW_PAIRS)
    if every == 1:
        return _votes(shots, taken_s, cell_s, [everywhere])
    # A long run: some of its shots tell where to look, then all of them are asked there.
    some = _votes(shots[::every], taken_s, cell_s, [everywhere])
    near: list[tuple[float, float]] = []
    for offset_s in sorted(offset_s for votes, offset_s in some if votes >= _NEAR_BEST * some[0][0]):
        if near and offset_s - near[-1][1] < _APART_S:
            near[-1] = (near[-1][0], offset_s)
        else:
            near.append((offset_s, offset_s))
    return _votes(shots, taken_s, cell_s, near)


def _votes(
    shots: Sequence[tuple[float, float]],
    taken_s: Sequence[float],
    cell_s: float,
    within_s: Sequence[tuple[float, float]],
) -> list[tuple[int, float]]:
    """For each cell of offsets in some spans, in how many ways a picture lies in the window of one of the shots."""
    changes: dict[int, int] = {}
    for low_s, high_s in shots:
        for first_s, last_s in within_s:
            low, high = bisect_left(taken_s, low_s + first_s), bisect_right(taken_s, high_s + last_s)
            for at_s in taken_s[low:high]:
                enters, leaves = floor((at_s - high_s) / cell_s), floor((at_s - low_s) / cell_s) + 1
                changes[enters] = changes.get(enters, 0) + 1
                changes[leaves] = changes.get(leaves, 0) - 1
    cells: list[tuple[int, float]] = []
    votes = 0
    for edge, after in pairwise(sorted(changes)):
        votes += changes[edge]
        if votes > 0:
            cells += [(votes, (cell + 0.5) * cell_s) for cell in range(edge, after)]
    cells.sort(key=lambda cell: -cell[0])
    return cells
