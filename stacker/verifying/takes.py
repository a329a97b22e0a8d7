"""Exposures of a stack with the frames that they may be, by every near way to read the folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from math import prod
from pathlib import Path

from stacker.errors import Refusal
from stacker.verifying.exposures import Picture
from stacker.verifying.readings import Reading

_MANY = 256  # ways to read all legs together; so many leave nothing certain anyway

Spot = tuple[int, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Take:
    """One exposure of a frame, or all those of its bracket.

    Parameters
    ----------
    frames : tuple of int
        Its frame by each way to read the folder; 0: a closing frame, or none. At an even rhythm a lost end moves all
        of a run by one, and their order is certain all the same.
    fixed : bool
        Whether no way leaves a choice between this picture and another, or none.
    confirmed : bool
        Whether the journal confirms it, by every way.
    taken_back : bool
        Whether it counts as not taken by its own picture, by every way.
    pictures : tuple of tuple of Path
        Each with its files, in order of time.
    """

    frames: tuple[int, ...]
    fixed: bool
    confirmed: bool
    pictures: tuple[tuple[Path, ...], ...]
    taken_back: bool = False

    @property
    def files(self) -> tuple[Path, ...]:
        """All of them."""
        return tuple(path for files in self.pictures for path in files)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Way:
    """One way to lay pictures beside shots: shot of each picture, pictures of each shot, and shots with a choice."""

    reading: Reading
    spot_of: Mapping[int, Spot]
    pictures_of: Mapping[Spot, tuple[int, ...]]
    unsure: frozenset[Spot]

    def frame(self, picture: int) -> int:
        return self.reading.frame(*self.spot_of[picture]) if picture in self.spot_of else 0

    def confirmed(self, picture: int) -> bool:
        leg, place = self.spot_of.get(picture, (0, -1))
        return place >= 0 and self.reading.legs[leg].shots[place].confirmed

    def taken_back(self, picture: int) -> bool:
        leg, place = self.spot_of.get(picture, (0, -1))
        return place >= 0 and self.reading.legs[leg].shots[place].taken_back != 0


def takes_of(readings: Sequence[Reading], pictures: Sequence[Picture]) -> tuple[Take, ...]:
    """All exposures that may be of a stack, in order of time.

    Parameters
    ----------
    readings : sequence of Reading
        All near ones, of this stack.
    pictures : sequence of Picture
        All of the folder.

    Raises
    ------
    Refusal
        When there are too many ways to read it.
    """
    tied = _tied(pictures)
    ways = [way for reading in readings for way in _ways(reading, tied)]
    sets = dict.fromkeys(mine for way in ways for _, mine in sorted(way.pictures_of.items()))
    return tuple(
        Take(
            frames=tuple(way.frame(mine[0]) for way in ways),
            fixed=all(_holds(way, mine) for way in ways),
            confirmed=all(way.confirmed(mine[0]) for way in ways),
            pictures=tuple(pictures[picture].files for picture in mine),
            taken_back=all(way.taken_back(mine[0]) for way in ways),
        )
        for mine in sets
    )


def _holds(way: _Way, mine: tuple[int, ...]) -> bool:
    """Whether a way keeps these pictures together at a shot of their own, without a choice."""
    spot = way.spot_of.get(mine[0])
    return spot is not None and way.pictures_of[spot] == mine and spot not in way.unsure


def _tied(pictures: Sequence[Picture]) -> list[tuple[int, int]]:
    """Neighbours of one capture time whose numbers do not tell their order: other numbers contradict the times."""
    by_prefix: dict[str, list[Picture]] = {}
    for picture in pictures:
        by_prefix.setdefault(picture.prefix, []).append(picture)
    renamed = any(
        one.number is None or other.number is None or (one.number > other.number and one.taken_s < other.taken_s)
        for mine in by_prefix.values()
        for one, other in pairwise(mine)
    )
    return [
        (place, place + 1)
        for place, (one, other) in enumerate(pairwise(pictures))
        if one.taken_s == other.taken_s and (renamed or one.prefix != other.prefix)
    ]


def _ways(reading: Reading, tied: Sequence[tuple[int, int]]) -> Iterator[_Way]:
    """Every way that a reading leaves, offsets that lay the pictures alike taken together."""
    legs: list[dict[tuple[int | None, ...], frozenset[int]]] = []
    for options in reading.options:
        alike: dict[tuple[int | None, ...], frozenset[int]] = {}
        for option in options:
            before = alike.get(option.shot_of, frozenset())
            alike[option.shot_of] = before | option.open_shots | option.unsettled
        legs.append(alike)
    if prod(map(len, legs)) > _MANY:
        raise Refusal("times and numbers can be read in too many ways to tell which picture is which frame")
    for chosen in product(*(alike.items() for alike in legs)):
        spot_of = {
            picture: (leg, place)
            for leg, (shot_of, _) in enumerate(chosen)
            for picture, place in enumerate(shot_of)
            if place is not None
        }
        pictures_of: dict[Spot, tuple[int, ...]] = {}
        for picture in sorted(spot_of):
            pictures_of[spot_of[picture]] = (*pictures_of.get(spot_of[picture], ()), picture)
        unsure = {(leg, place) for leg, (_, places) in enumerate(chosen) for place in places}
        for pair in tied:
            spots = {spot_of[picture] for picture in pair if picture in spot_of}
            unsure |= spots if len(spots) > 1 else set()
        yield _Way(reading=reading, spot_of=spot_of, pictures_of=pictures_of, unsure=frozenset(unsure))
