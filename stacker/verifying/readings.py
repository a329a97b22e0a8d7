"""The ways to read one folder: pictures laid beside the shots of all journals, with more or less allowance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stacker.verifying.alignment import Alignment, Fit, alignments
from stacker.verifying.exposures import Picture
from stacker.verifying.folder import Folder
from stacker.verifying.legs import best_together
from stacker.verifying.numbering import told_by_numbers
from stacker.verifying.shots import Shot, ShotLeg

# What clocks and computers add to the camera's rounding. File times are those of writing, which come later by more or
# less; the narrowest that fits as many pictures as the widest is taken.
SLACK_S = {"exif": (0.1, 0.25, 0.6), "file": (0.1, 0.25, 0.5, 1.0, 2.5)}
# A wide slack presses a stray picture into the gap of a lost frame, by moving all that lie between. Where a narrower
# one leaves so few pictures over (and a seventh of all at most), that is as likely: what it misses is in doubt.
FEW_OVER = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """Legs with the alignments that fit together best.

    Parameters
    ----------
    legs : tuple of ShotLeg
        In order of time.
    options : tuple of tuple of Alignment
        For each leg.
    """

    legs: tuple[ShotLeg, ...]
    options: tuple[tuple[Alignment, ...], ...]

    @property
    def count(self) -> int:
        """Pictures that have a shot."""
        return sum(options[0].count for options in self.options)

    def part(self, legs: Sequence[int], frames: Sequence[Mapping[int, int] | None]) -> Reading:
        """Only some of the legs, their frames by the numbers of another plan where there is one."""
        return Reading(
            legs=tuple(self.legs[leg].numbered(numbers) for leg, numbers in zip(legs, frames, strict=True)),
            options=tuple(self.options[leg] for leg in legs),
        )

    def shots(self) -> list[tuple[int, int, Shot]]:
        """Leg, place in it, and shot, for all."""
        return [(leg, place, shot) for leg, part in enumerate(self.legs) for place, shot in enumerate(part.shots)]

    def frame(self, leg: int, place: int) -> int:
        """Frame of a shot."""
        return self.legs[leg].shots[place].frame

    def taken(self) -> dict[tuple[int, int], list[int]]:
        """Pictures of each shot, by the first of the best alignments."""
        taken: dict[tuple[int, int], list[int]] = {}
        for leg, options in enumerate(self.options):
            for picture, place in enumerate(options[0].shot_of):
                if place is not None:
                    taken.setdefault((leg, place), []).append(picture)
        return taken

    def places(self, pictures: int) -> tuple[set[tuple[int, int]], ...]:
        """For each of so many pictures, every shot that it may belong to."""
        places = tuple(set[tuple[int, int]]() for _ in range(pictures))
        for leg, options in enumerate(self.options):
            for option in options:
                for mine, place in zip(places, option.shot_of, strict=True):
                    if place is not None:
                        mine.add((leg, place))
        return places


def readings(legs: Sequence[ShotLeg], folder: Folder, each: int) -> list[Reading]:
    """The narrowest slack that fits as many pictures as any, the next wider, and narrower ones that leave few over.

    With the narrowest, pictures may all fit by chance where they do not belong, at the next place of an even rhythm:
    the true place may need a little more.

    Parameters
    ----------
    legs : sequence of ShotLeg
        In order of time.
    folder : Folder
        With its pictures.
    each : int
        Pictures of every shot.
    """
    found: list[Reading] = []
    for slack_s in SLACK_S[folder.clock]:
        fitted = bool(found) and found[-1].count >= len(folder.pictures)
        found.append(_read_with(legs, folder, each, slack_s))
        if fitted:
            break  # a wider one cannot fit more
    most = max(reading.count for reading in found)
    first = next(place for place, reading in enumerate(found) if reading.count == most)
    few = min(FEW_OVER, most // 7)
    return [*found[first : first + 2], *(one for one in found[:first] if one.count >= most - few)]


def _read_with(legs: Sequence[ShotLeg], folder: Folder, each: int, slack_s: float) -> Reading:
    if not legs:
        return Reading(legs=(), options=())
    taken_s = [picture.taken_s for picture in folder.pictures]
    numbers = _numbers(folder.pictures)
    parts = [part.leg for part in legs]
    choices = [
        alignments(part.windows, taken_s, resolution_s=folder.resolution_s, slack_s=slack_s, pictures_each=each)
        for part in parts
    ]
    options = best_together(parts, choices)
    for part, best in zip(parts, options, strict=True):
        fit = Fit(part.windows, taken_s, folder.resolution_s, slack_s, each)
        best[:] = map(fit.settled, best)
    if each == 1:
        options = [
            [
                told_by_numbers(one, part.windows, taken_s, numbers, resolution_s=folder.resolution_s, slack_s=slack_s)
                for one in best
            ]
            for part, best in zip(parts, options, strict=True)
        ]
    return Reading(legs=tuple(legs), options=tuple(map(tuple, options)))


def _numbers(pictures: Sequence[Picture]) -> list[int | None]:
    """The names' numbers, where all names share what stands before them."""
    one_name = len({picture.prefix for picture in pictures}) == 1
    return [picture.number if one_name else None for picture in pictures]
