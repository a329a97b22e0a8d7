"""Many pictures of a textured target laid beside key pictures of it, at several places each."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal
from stacker.pixels.shift import Coarse, FloatArray, coarse, fine_shift, whole_shift

FEWEST_PLACES = 3
MOST_LOST = 0.1
"""Share of the pictures that may be unreadable."""

_KEY_OVERLAP = 0.7  # with less of it in common with the last key picture, a picture becomes the next
_MOST_PLACES = (3, 5)  # across and along the longer side
_RECUT_PX = 0.6
_SATURATED = 0.002  # of the pixels of a place
_ALIKE = 0.5
_FINE_GRAIN = 0.025  # of the power, over all places: more, and readings stray by over 0.02 px (by rendering)

_WHY = {
    "saturated": "burnt out: expose less",
    "no_texture": "without fine detail that both pictures share: something finely grained, in focus, lit from the "
    "side, must fill the picture over the whole travel, and the flash must not fail",
    "no_shift": "at no shift that stands out: the grain repeats itself, something that stands still is seen beside it, "
    "or pictures next to each other on the way share less than half of their field",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """Places of one picture against its key: where they lie, half-way between both, and their shifts [px].

    Places of equal number lie at about the same place of the key: its noise is in the shifts of all pictures there.
    """

    picture: int
    key: int
    number: NDArray[np.int64]  # (places,)
    middle: FloatArray  # (places, 2): down, across, from the picture's centre
    shift: FloatArray


class _Held(NamedTuple):
    """A picture by its number, and the same in few pixels."""

    number: int
    picture: NDArray[np.number]
    small: Coarse


@dataclass(slots=True)
class _Places:
    """How the places fared, for the reason of a refusal."""

    reasons: dict[str, int] = field(default_factory=dict)
    fine: list[float] = field(default_factory=list)

    def refuse(self, reason: str) -> None:
        self.reasons[reason] = self.reasons.get(reason, 0) + 1


def links_of(pictures: Iterable[NDArray[np.number]], most: float) -> tuple[list[Link], int, tuple[int, ...]]:
    """Each picture beside a key picture, how many pictures there were, and their shape.

    Parameters
    ----------
    pictures : iterable of ndarray, shape (rows, columns)
        So that neighbours share most of their field. They are looked at one by one, and two of them are held.
    most : float
        The largest value a pixel can have.

    Raises
    ------
    Refusal
        ``sizes_differ``, ``saturated``, ``aliased``, ``no_texture`` or ``no_shift`` when too few of them tell.
    """
    links: list[Link] = []
    places = _Places()
    held: list[_Held] = []  # the key picture, and the last one that was read
    shape: tuple[int, ...] = ()
    count = lost = 0
    for number, picture in enumerate(pictures):
        count, shape = number + 1, shape or picture.shape
        if picture.shape != shape:
            raise Refusal("the pictures differ in size: give those of one run, in full size", code="sizes_differ")
        now = _Held(number, picture, coarse(picture))
        for key in held:
            link, shares = _link(key, now, most, places)
            if link is not None:
                break
        else:
            lost += bool(number)
            if not links:
                held = [now]  # the first may be the one on which nothing can be seen
            continue
        links.append(link)
        held = [now] if shares < _KEY_OVERLAP else [key, now]
    if not links or lost > max(1, MOST_LOST * count):
        _refuse_lost(places, lost, count)
    if float(np.median(places.fine)) > _FINE_GRAIN:
        raise Refusal(
            "cannot tell: the grain is about as fine as the pixels, and what they cannot take shifts otherwise than "
            "the rest. Take a grain of three pixels or more, or unsharpened pictures",
            code="aliased",
        )
    return links, count, shape


def _refuse_lost(places: _Places, lost: int, count: int) -> None:
    reason = max(places.reasons, key=lambda name: places.reasons[name], default="no_texture")
    raise Refusal(f"{lost} of {count} pictures cannot be read, most of what was looked at {_WHY[reason]}", code=reason)


def _link(key: _Held, now: _Held, most: float, places: _Places) -> tuple[Link | None, float]:
    """A picture beside its key, and the share of the field that both have."""
    shape = key.picture.shape
    try:
        whole = whole_shift(key.small, now.small)
    except Refusal:
        places.refuse("saturated" if np.mean(now.picture >= 0.996 * most) > _SATURATED else "no_shift")
        return None, 0.0
    shares = math.prod(1 - abs(way) / size for way, size in zip(whole, shape, strict=True))
    numbers, middles, shifts = [], [], []
    for place, middle in enumerate(_middles(shape, whole)):
        found = _place(key.picture, now.picture, middle, whole, most)
        if isinstance(found, str):
            places.refuse(found)
            continue
        numbers.append(place)
        middles.append(found[0])
        shifts.append(found[1])
        places.fine.append(found[2])
    if len(middles) < FEWEST_PLACES:
        return None, shares
    link = Link(
        picture=now.number, key=key.number, number=np.array(numbers), middle=np.array(middles), shift=np.array(shifts)
    )
    return link, shares


def _size(shape: tuple[int, ...]) -> int:
    """Side of a place [px]."""
    return 256 if min(shape) >= 1024 else 128 if min(shape) >= 384 else 64


def _middles(shape: tuple[int, ...], whole: tuple[int, int]) -> list[tuple[float, float]]:
    """Places half-way between both pictures, from the centre, as far apart as the common field allows."""
    size = _size(shape)
    axes = []
    longer = max(shape)
    for side, way in zip(shape, whole, strict=True):
        reach = (side - 1 - abs(way) - size) / 2 - 4
        most = _MOST_PLACES[side == longer]
        number = min(most, 1 + int(2 * reach / (size / 2))) if reach > 0 else 0
        axes.append(np.linspace(-reach, reach, number) if number > 1 else np.zeros(number))
    return [(down, across) for down in axes[0] for across in axes[1]]


def _place(
    key: NDArray[np.number],
    picture: NDArray[np.number],
    middle: tuple[float, float],
    whole: tuple[int, int],
    most: float,
) -> tuple[FloatArray, FloatArray, float] | str:
    """Middle and shift of one place, and its power of finest detail, or why it does not tell."""
    size, shape = _size(key.shape), key.shape
    shift = np.array(whole, dtype=np.float64)
    for _ in range(3):
        first = [round((side - size) / 2 + at - way / 2) for side, at, way in zip(shape, middle, shift, strict=True)]
        second = [at + round(way) for at, way in zip(first, shift, strict=True)]
        if any(not 0 <= at <= side - size for one in (first, second) for at, side in zip(one, shape, strict=True)):
            return "no_texture"
        cuts = [
            one[at[0] : at[0] + size, at[1] : at[1] + size].astype(np.float64)
            for one, at in ((key, first), (picture, second))
        ]
        if any(np.mean(cut >= 0.996 * most) > _SATURATED for cut in cuts):
            return "saturated"
        if any(cut.mean() <= 0 for cut in cuts):
            return "no_texture"
        found = fine_shift(*cuts)
        rest = np.array([found.down_px, found.across_px])
        shift = np.rint(shift) + rest
        if np.abs(rest).max() < _RECUT_PX:
            break
    if found.alike < _ALIKE:
        return "no_texture"
    centre = np.array([at + (size - side) / 2 for at, side in zip(first, shape, strict=True)])
    return centre + shift / 2, shift, found.fine
