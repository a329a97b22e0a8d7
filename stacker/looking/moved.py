"""What moved between one frame and the next: a part of the subject, or all of the picture.

A move of the rail changes the scale of a picture, and shifts and turns it a little: patches that go together with the
others say nothing. A slanted surface seems to move as the plane of focus passes it, but it does so in the frames
before and behind as well. What is left is compared with that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from stacker.errors import Refusal
from stacker.pixels.patches import PATCH, Patches, detail, patch_shifts
from stacker.pixels.shift import coarse, whole_shift
from stacker.pixels.small import SmallPicture, small_bins

FloatArray = NDArray[np.float64]

_CERTAIN_PX = 0.3  # of the small picture: a patch less certain tells nothing
_SMALLEST_PX = 2 * PATCH
_FEWEST_PATCHES = 20  # that tell something, for a pair to be compared
_LEAST_PX, _SURELY, _FLOOR_PX = 0.25, 5.0, 0.05  # of a patch; by rendering
_FEWEST_TOGETHER = 4  # of patches side by side; in clean rendered stacks one or two do so
_ONE_WAY = 0.7  # the mean of their shifts over the mean of how long they are
_UNDONE = 0.5  # of a shift left, and it was moved back
_AROUND, _FEWEST_AROUND = 6, 3  # pairs with which one is compared
_WHOLE_SHARE, _WHOLE_SURELY = 0.01, 8.0  # of the longer side; times how the others scatter
_ROUNDS = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """Something that lies elsewhere in the second of two frames.

    Parameters
    ----------
    frames : (int, int)
        Numbers, in order of depth.
    shift_px : float
        How far it moved beside all else, in the picture as it was read [px].
    at : (float, float)
        Its middle, as shares of the picture's width and height from its upper left [-].
    share : float
        Of the picture that moved so [-].
    whole : bool
        Whether it is all of the picture.
    back : bool
        Whether it lies where it lay again in the frame behind.
    """

    frames: tuple[int, int]
    shift_px: float
    at: tuple[float, float] = (0.5, 0.5)
    share: float = 1.0
    whole: bool = False
    back: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """What moved in a stack.

    Parameters
    ----------
    parts : tuple of Part
        In order of depth.
    compared : int
        Pairs of frames one after the other that were compared.
    pairs : int
        All.
    told : float
        Share of the picture in which something could be told, in the middle one of the pairs compared [-].
    """

    parts: tuple[Part, ...] = ()
    compared: int = 0
    pairs: int = 0
    told: float = 0.0

    @property
    def alone(self) -> tuple[int, ...]:
        """Frames in which alone something lies elsewhere."""
        return tuple(sorted({part.frames[1] for part in self.parts if part.back}))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Pair:
    """Two frames compared: what all of the picture did, and what is left of each patch [px of the small picture]."""

    frames: tuple[int, int]
    whole: FloatArray  # down, across, scale, turn
    rest: FloatArray  # (2, rows, columns), NaN where nothing is told
    error: FloatArray


def moved_in(order: Sequence[int], small: Mapping[int, SmallPicture], pixels: tuple[int, int]) -> Moved:
    """Compare each frame with the next.

    Parameters
    ----------
    order : sequence of int
        Frames in order of depth.
    small : mapping of int to ndarray of uint8
        `pixels.small.small_picture` of those that can be looked into.
    pixels : (int, int)
        Rows and columns of the whole pictures.
    """
    small = {frame: one for frame, one in small.items() if min(one.shape) >= _SMALLEST_PX}
    details = (detail(small[frame]) if frame in small else None for frame in order)  # of two at a time
    pairs = [
        pair
        for frames, (one, other) in zip(pairwise(order), pairwise(details), strict=False)
        if one is not None and other is not None and (pair := _compared(frames, one, other)) is not None
    ]
    bins = small_bins(pixels)
    found = [place for pair, near in _each_with_its_like(pairs) for place in _places(pair, near)]
    returns = [one for one in found if any(_undoes(one, other) for other in found)]
    parts = [_part(one, bins, back=any(_undoes(other, one) for other in found)) for one in found if one not in returns]
    parts += _wholes(pairs, bins)
    return Moved(
        parts=tuple(sorted(parts, key=lambda part: order.index(part.frames[0]))),
        compared=len(pairs),
        pairs=max(0, len(order) - 1),
        told=float(np.median([np.isfinite(pair.rest[0]).mean() for pair in pairs])) if pairs else 0.0,
    )


def _compared(frames: tuple[int, int], one: NDArray[np.float32], other: NDArray[np.float32]) -> _Pair | None:
    """What moved from one frame to another; None where the two have too little in common."""
    pair = _fitted(frames, patch_shifts(one, other))
    if pair is not None:
        return pair
    try:  # all of it may have moved farther than slopes tell
        down, across = whole_shift(coarse(one), coarse(other))
    except Refusal:
        return None
    pair = _fitted(frames, patch_shifts(one, np.roll(other, (-down, -across), axis=(0, 1))))
    if pair is not None:
        pair.whole[:2] += down, across
    return pair


def _fitted(frames: tuple[int, int], patches: Patches) -> _Pair | None:
    """Take off what all patches do together: a shift, a scale and a turn, by those that agree most."""
    error = patches.error.astype(np.float64)
    told = error < _CERTAIN_PX
    if np.count_nonzero(told) < _FEWEST_PATCHES:
        return None
    y, x = (at - at.mean() for at in np.indices(error.shape, dtype=np.float64))
    one, nothing = np.ones_like(y), np.zeros_like(y)
    down, across = np.stack((one, nothing, y, -x), axis=-1), np.stack((nothing, one, x, y), axis=-1)
    weight = told / (error**2 + _FLOOR_PX**2)
    doubt = np.ones_like(weight)
    for _ in range(_ROUNDS):
        some = np.sqrt(weight * doubt)[None, :, :, None]
        columns = (np.stack((down, across)) * some).reshape(-1, 4)
        whole = np.linalg.lstsq(columns, (patches.shift * some[..., 0]).reshape(-1), rcond=None)[0]
        rest = patches.shift - np.stack((down @ whole, across @ whole))
        doubt = 1 / (1 + (rest**2).sum(axis=0) * weight / 4)
    rest[:, ~told] = np.nan
    return _Pair(frames=frames, whole=whole, rest=rest, error=error)


def _each_with_its_like(pairs: Sequence[_Pair]) -> Iterator[tuple[_Pair, list[_Pair]]]:
    """Each pair with those nearest to it, where there are enough."""
    for place, pair in enumerate(pairs if len(pairs) > _AROUND else ()):
        first = min(max(0, place - _AROUND // 2), len(pairs) - _AROUND - 1)
        yield pair, [one for one in pairs[first : first + _AROUND + 1] if one is not pair]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Place:
    """Patches side by side that moved together from one frame to the next [px of the small picture]."""

    frames: tuple[int, int]
    shift: FloatArray
    mask: NDArray[np.bool_]


def _places(pair: _Pair, near: Sequence[_Pair]) -> Iterator[_Place]:
    """What moved together, otherwise than in the pairs around."""
    around = np.stack([one.rest for one in near])
    known = np.isfinite(around[:, 0]).sum(axis=0) >= _FEWEST_AROUND
    usual = np.zeros_like(pair.rest)
    usual[:, known] = np.nanmedian(around[:, :, known], axis=0)
    error = np.sqrt(pair.error**2 + np.median([one.error for one in near], axis=0) ** 2 + _FLOOR_PX**2)
    off = pair.rest - usual
    size = np.hypot(*off)
    # a step not made, or a double one, takes away or doubles what a slanted surface seems to move
    sure = known & (size > _LEAST_PX + np.hypot(*usual)) & (size > _SURELY * error)
    numbered, count = label(sure, structure=np.ones((3, 3)))
    for number in range(1, count + 1):
        mask = numbered == number
        shift = off[:, mask].mean(axis=1)
        if np.count_nonzero(mask) >= _FEWEST_TOGETHER and np.hypot(*shift) > _ONE_WAY * size[mask].mean():
            yield _Place(frames=pair.frames, shift=shift, mask=mask)


def _part(place: _Place, bins: int, *, back: bool) -> Part:
    rows, columns = np.nonzero(place.mask)
    return Part(
        frames=place.frames,
        shift_px=float(np.hypot(*place.shift)) * bins,
        at=(float(columns.mean() + 0.5) / place.mask.shape[1], float(rows.mean() + 0.5) / place.mask.shape[0]),
        share=float(place.mask.mean()),
        back=back,
    )


def _undoes(later: _Place, sooner: _Place) -> bool:
    """Whether one place moves back what another moved into the frame between the two."""
    same = later.frames[0] == sooner.frames[1] and bool((later.mask & sooner.mask).any())
    return same and bool(np.hypot(*(later.shift + sooner.shift)) < _UNDONE * np.hypot(*sooner.shift))


def _wholes(pairs: Sequence[_Pair], bins: int) -> list[Part]:
    """Pairs from one to the other of which all of the picture jumps, beside what it does elsewhere."""
    if len(pairs) <= _AROUND:
        return []
    shifts = np.stack([pair.whole[:2] for pair in pairs])
    away = np.hypot(*(shifts - np.median(shifts, axis=0)).T)
    rows, columns = pairs[0].error.shape
    least = max(_WHOLE_SHARE * PATCH * max(rows, columns), _WHOLE_SURELY * float(np.median(away)))
    return [
        Part(frames=pair.frames, shift_px=float(jump) * bins, whole=True)
        for pair, jump in zip(pairs, away, strict=True)
        if jump > least
    ]
