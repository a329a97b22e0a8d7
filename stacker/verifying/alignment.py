"""Which picture belongs to which shot, where the camera's clock is off by an unknown, constant time.

A shot of the journal can only have made a picture within a window of time; the camera rounds its times down and its
clock is off by some offset. For one offset the largest assignment of pictures to shots is found exactly, and so is
every shot that some largest assignment leaves without a picture. Offsets that do equally well are all kept: at an even
rhythm a lost first picture looks like a lost last one, and then both are named.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import floor

from stacker.verifying.offsets import likely_offsets

MARGIN = 10  # assignments so much smaller than the best may still fit better beside another leg of the run


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """When the shutter opened, by the journal's clock.

    Parameters
    ----------
    early_s, late_s : float
        Bounds of the likely moment [s].
    first_s : float
        No exposure can have begun before [s].
    """

    early_s: float
    late_s: float
    first_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Alignment:
    """One way to lay pictures beside shots.

    Parameters
    ----------
    offset_s : float
        Camera's clock less the journal's [s].
    shot_of : tuple of int or None
        For each picture the index of its shot.
    count : int
        Pictures that lie in the likely moment of a shot: what alignments are compared by.
    open_shots : frozenset of int
        Shots that some assignment of this size leaves without all their pictures.
    always_open_shots : frozenset of int
        Those of them that every assignment of this size leaves so: no picture of another shot could be theirs.
    unsettled : frozenset of int
        Shots that some assignment of this size gives another picture: one that has no shot could take its place.
        `Fit.settled` finds them.
    reach : tuple of int or None
        First and last picture that has a shot.
    """

    offset_s: float
    shot_of: tuple[int | None, ...]
    count: int
    open_shots: frozenset[int]
    always_open_shots: frozenset[int]
    unsettled: frozenset[int] = frozenset()
    reach: tuple[int, int] | None = None


def alignments(
    windows: Sequence[Window],
    taken_s: Sequence[float],
    *,
    resolution_s: float,
    slack_s: float,
    pictures_each: int = 1,
) -> list[Alignment]:
    """The best ways to lay pictures beside the shots of one leg of a run.

    Parameters
    ----------
    windows : sequence of Window
        In order of time.
    taken_s : sequence of float
        Capture times in order, rounded down to `resolution_s` [s].
    resolution_s, slack_s : float
        Rounding, and what clocks and computers add on either side [s].
    pictures_each : int
        Pictures that every shot makes (an exposure bracket).

    Returns
    -------
    list of Alignment
        Those within `MARGIN` of the largest, largest first; never empty.
    """
    if not windows or not taken_s:
        return [no_picture(len(windows), len(taken_s))]
    fit = Fit(windows, taken_s, resolution_s, slack_s, pictures_each)
    found: dict[object, Alignment] = {}
    best = 0
    for votes, offset_s in likely_offsets(fit.low_s, fit.high_s, taken_s, cell_s=slack_s / 2):
        if votes < best - MARGIN:
            break
        one = fit.at(offset_s)
        best = max(best, one.count)
        key = (one.shot_of, one.open_shots, floor(offset_s))  # alike within a second: the better one will do
        if key not in found or found[key].count < one.count:
            found[key] = one
    near = sorted((one for one in found.values() if one.count >= best - MARGIN), key=lambda one: -one.count)
    return near or [no_picture(len(windows), len(taken_s))]


def no_picture(shots: int, pictures: int) -> Alignment:
    """No picture belongs to any shot."""
    none = frozenset(range(shots))
    return Alignment(offset_s=0.0, shot_of=(None,) * pictures, count=0, open_shots=none, always_open_shots=none)


class Fit:
    """Shots and pictures of one leg, to be laid side by side at any offset."""

    def __init__(
        self,
        windows: Sequence[Window],
        taken_s: Sequence[float],
        resolution_s: float,
        slack_s: float,
        pictures_each: int,
    ) -> None:
        self.taken_s, self.each = taken_s, pictures_each
        self.low_s = [window.early_s - resolution_s - slack_s for window in windows]
        self.high_s = [window.late_s + slack_s for window in windows]
        self.first_s = [window.first_s - resolution_s - slack_s for window in windows]
        if pictures_each > 1:  # a bracket goes on until the next shot: up to there all is its own
            width_s = resolution_s + 2 * slack_s
            for i in range(len(windows)):
                end_s = self.low_s[i + 1] - 0.01 if i + 1 < len(windows) else self.high_s[i] + 10
                self.high_s[i] = max(self.high_s[i], min(end_s, self.high_s[i] + 10 * width_s))

    def at(self, offset_s: float) -> Alignment:
        """Largest assignment at one offset.

        Windows rise with the shots, so giving every picture, in order of time, to the earliest shot that can still
        take it is never wrong: whoever comes later can use any window that this one could, and more.
        """
        rooms = [self.each] * len(self.low_s)
        shot_of: list[int | None] = [None] * len(self.taken_s)
        shot = 0
        for picture, taken_s in enumerate(self.taken_s):
            while shot < len(rooms) and (rooms[shot] == 0 or self.high_s[shot] + offset_s < taken_s):
                shot += 1
            if shot < len(rooms) and self.low_s[shot] + offset_s <= taken_s:
                shot_of[picture] = shot
                rooms[shot] -= 1
        count = len(shot_of) - shot_of.count(None)
        likely, likely_rooms = list(shot_of), list(rooms)  # a second chance may be a stray picture: it proves nothing
        self._second_chance(shot_of, rooms, offset_s)
        used = [picture for picture, shot in enumerate(shot_of) if shot is not None]
        return Alignment(
            offset_s=offset_s,
            shot_of=tuple(shot_of),
            count=count,
            open_shots=frozenset(self._open(likely, likely_rooms, offset_s)),
            always_open_shots=frozenset(
                shot for shot, room in enumerate(rooms) if room and not self._rivals(shot, shot_of, offset_s)
            ),
            reach=(used[0], used[-1]) if used else None,
        )

    def _second_chance(self, shot_of: list[int | None], rooms: list[int], offset_s: float) -> None:
        """A late reply (damaged lines, a person's key) makes the likely moment too late, never the first possible."""
        spare = [picture for picture, shot in enumerate(shot_of) if shot is None]
        spare_s = [self.taken_s[picture] for picture in spare]
        for shot in [shot for shot, room in enumerate(rooms) if room]:
            low = bisect_left(spare_s, self.first_s[shot] + offset_s)
            high = bisect_right(spare_s, self.high_s[shot] + offset_s)
            for picture in spare[low:high]:
                if rooms[shot] and shot_of[picture] is None:
                    shot_of[picture] = shot
                    rooms[shot] -= 1

    def _open(self, shot_of: list[int | None], rooms: list[int], offset_s: float) -> Iterator[int]:
        """Shots that can be left open without losing a picture: reached from an open one by exchanging pictures."""
        queue = [shot for shot, room in enumerate(rooms) if room]
        seen = set(queue)
        while queue:
            shot = queue.pop()
            yield shot
            for other in self._rivals(shot, shot_of, offset_s) - seen:
                seen.add(other)
                queue.append(other)

    def settled(self, one: Alignment) -> Alignment:
        """The same with its unsettled shots: whose picture one without a shot could replace, or one that it replaces.

        Asked at every offset at which all these pictures have these shots.
        """
        pictures_of: dict[int, list[int]] = {}
        least_s, most_s = float("-inf"), float("inf")
        for picture, shot in enumerate(one.shot_of):
            if shot is not None:
                pictures_of.setdefault(shot, []).append(picture)
                least_s = max(least_s, self.taken_s[picture] - self.high_s[shot])
                most_s = min(most_s, self.taken_s[picture] - self.low_s[shot])
        if least_s > most_s:  # one of them lies there by a second chance
            least_s = most_s = one.offset_s
        queue = [picture for picture, shot in enumerate(one.shot_of) if shot is None]
        seen = set[int]()
        while queue:
            taken_s = self.taken_s[queue.pop()]
            takers = range(bisect_left(self.high_s, taken_s - most_s), bisect_right(self.low_s, taken_s - least_s))
            for shot in {*takers} - seen:
                seen.add(shot)
                queue += pictures_of.get(shot, ())
        return replace(one, unsettled=frozenset(seen))

    def _rivals(self, shot: int, shot_of: Sequence[int | None], offset_s: float) -> set[int]:
        """Other shots whose pictures lie in the window of this one."""
        low = bisect_left(self.taken_s, self.low_s[shot] + offset_s)
        high = bisect_right(self.taken_s, self.high_s[shot] + offset_s)
        return {other for other in shot_of[low:high] if other is not None} - {shot}

    def takers(self, taken_s: float, offset_s: float) -> range:
        """Shots in whose windows a picture lies."""
        return range(bisect_left(self.high_s, taken_s - offset_s), bisect_right(self.low_s, taken_s - offset_s))
