"""Which frames lack a picture: surely, perhaps, and how many there are of them at least and at most."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

from stacker.verifying.alignment import Alignment
from stacker.verifying.readings import Reading

_MANY = 64  # ways to read all legs together; beyond that the count is only bounded


@dataclass(frozen=True, kw_only=True, slots=True)
class Gaps:
    """Frames without pictures.

    Parameters
    ----------
    bare : set of int
        By every way to read the times.
    open : set of int
        By one of them; those of `bare` are among them.
    least, most : int
        How many frames lack pictures.
    """

    bare: set[int]
    open: set[int]
    least: int
    most: int


def gaps(reading: Reading, confirmed: set[int], each: int) -> Gaps:
    """Frames of which some picture is not there.

    Parameters
    ----------
    reading : Reading
        Of one stack.
    confirmed : set of int
        Frames that the journals confirm.
    each : int
        Pictures of every frame.
    """
    can_be_open, bare = set(confirmed), set(confirmed)
    for leg, place, shot in reading.shots():
        options = reading.options[leg]
        if shot.counts and not any(place in option.open_shots for option in options):
            can_be_open.discard(shot.frame)
        if not all(place in option.always_open_shots for option in options):
            bare.discard(shot.frame)
    bare &= can_be_open
    if prod(map(len, reading.options)) > _MANY:
        return Gaps(bare=bare, open=can_be_open, least=len(bare), most=len(can_be_open))
    counts = [_lacking(reading, ways, confirmed, each) for ways in product(*reading.options)]
    least = max(len(bare), min(low for low, _ in counts))
    return Gaps(bare=bare, open=can_be_open, least=least, most=min(len(can_be_open), max(high for _, high in counts)))


def _lacking(reading: Reading, ways: Sequence[Alignment], confirmed: set[int], each: int) -> tuple[int, int]:
    """Least and most frames without all their pictures, by one alignment a leg, pictures exchanged as times allow.

    A frame may have two shots, of which one made no picture that was needed: what is laid there could fill a gap, and
    what is not there could be what is missing.
    """
    held = Counter((leg, place) for leg, way in enumerate(ways) for place in way.shot_of if place is not None)
    filled, sure, idle = Counter[int](), set[int](), Counter[int]()
    fullest: dict[int, int] = {}
    vacant = 0
    for leg, place, shot in reading.shots():
        pictures = held[leg, place]
        fullest[shot.frame] = max(pictures, fullest.get(shot.frame, 0))
        if pictures >= each:
            filled[shot.frame] += 1
            idle[shot.frame] += place in ways[leg].open_shots  # it could be the one that stays without
            if shot.counts:
                sure.add(shot.frame)
        elif place not in ways[leg].always_open_shots:
            vacant += 1
    spare = sum(min(idle[frame], count - (frame in confirmed)) for frame, count in filled.items())
    lacking = sum(max(0, each - fullest.get(frame, 0)) for frame in confirmed)
    unsure = len(confirmed - sure)
    return max(0, -(-(lacking - spare * each) // each)), max(lacking, unsure) + vacant
