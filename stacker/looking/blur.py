"""Frames that lost detail along one way beside their neighbours: something moved while the shutter was open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.looking.fields import BoolArray, curves_of
from stacker.looking.through_focus import FloatArray
from stacker.pixels.energy import LAGS

FEWEST_TILES = 20
_ENDS = 2  # frames at either end, beside which too little is in focus
_SHARP = 0.3  # of a tile's largest energy, in the frames beside
_SURELY = 4.0  # standard errors
_LEAST_SMEAR = 0.022  # change of the logarithm of energy from one way to another
_LEAST_SCATTER = 0.005  # of what the scatter of tiles does not show of it, by rendering


@dataclass(frozen=True, kw_only=True, slots=True)
class Smear:
    """Whether detail of one frame is lost along one way, beside the frames around it.

    Parameters
    ----------
    way_deg : float or None
        Along which it is lost, counter-clockwise from the picture's rows, 0 to 180; None where nothing is found
        [degrees].
    tiles : int
        Sharp ones that were compared.
    reason : str or None
        Why nothing can be told, in words that go on after "cannot tell, because".
    """

    way_deg: float | None = None
    tiles: int = 0
    reason: str | None = None


def smears_of(directional: NDArray[np.floating]) -> tuple[Smear, ...]:
    """Compare the directions of each frame's detail with those of the frames around it.

    Parameters
    ----------
    directional : ndarray, shape (frames, directions, rows, columns)
        `fields.tiles_of` of the finest band of `pixels.energy.directional_energy`, in order of depth; NaN throughout
        for a frame that is missing or dark.

    Notes
    -----
    How much more detail a tile has along one way than along another hardly changes with focus, light or steps. So a
    frame whose directions are others than those of the frames before and behind it was smeared. A frame softened alike
    in all directions is not found here.
    """
    frames = len(directional)
    usable = np.isfinite(directional).all(axis=(1, 2, 3)) & (directional.max(axis=(1, 2, 3), initial=0) > 0)
    if np.count_nonzero(usable) < 5:
        return tuple(Smear(reason="fewer than 5 frames can be looked into") for _ in range(frames))
    known = np.where(usable[:, None, None, None], directional, 0.0)
    _, detailed = curves_of(known.mean(axis=1)[usable])
    ways = known.reshape(frames, len(LAGS), -1)[:, :, detailed].astype(np.float64)
    size = ways.mean(axis=1)
    uneven = np.log(np.maximum(ways, 1e-12)) - np.log(np.maximum(ways, 1e-12)).mean(axis=1, keepdims=True)
    sharp = [_sharp(size, usable, i) for i in range(frames)]
    tiles = [int(np.count_nonzero(one)) for one in sharp]
    turned = [_turned(uneven, sharp[i], i) if tiles[i] >= FEWEST_TILES else None for i in range(frames)]
    few = f"fewer than {FEWEST_TILES} fields are in focus on both sides of it"
    return tuple(
        Smear(tiles=tiles[i], reason=few) if one is None else Smear(tiles=tiles[i], way_deg=_way_deg(turned, i))
        for i, one in enumerate(turned)
    )


def _sharp(size: FloatArray, usable: BoolArray, i: int) -> BoolArray:
    """Tiles that are sharp in the frames on both sides, whatever they are in this one."""
    if not _ENDS <= i < len(size) - _ENDS or not usable[i - 1 : i + 2].all():
        return np.zeros(size.shape[1], dtype=np.bool_)
    sharp: BoolArray = np.minimum(size[i - 1], size[i + 1]) > _SHARP * size.max(axis=0)
    return sharp


@dataclass(frozen=True, kw_only=True, slots=True)
class _Turn:
    """Loss of detail along one way over that across it, as a vector of twice the way's angle."""

    along: float
    across: float
    error: float

    @property
    def size(self) -> float:
        return math.hypot(self.along, self.across)


def _turned(uneven: FloatArray, sharp: BoolArray, i: int) -> _Turn:
    change = (uneven[i] - (uneven[i - 1] + uneven[i + 1]) / 2)[:, sharp]
    angles = np.array([math.atan2(-down, across) for down, across in LAGS])
    columns = np.stack([np.ones(len(LAGS)), np.cos(2 * angles), np.sin(2 * angles)], axis=1)
    turns = -(np.linalg.pinv(columns) @ change)[1:]
    middle = np.median(turns, axis=1)
    scatter = 1.48 * float(np.median(np.abs(turns - middle[:, None])))
    return _Turn(along=float(middle[0]), across=float(middle[1]), error=1.25 * scatter / math.sqrt(change.shape[1]))


def _way_deg(turned: list[_Turn | None], i: int) -> float | None:
    """The way along which a frame is surely smeared.

    Beside it the frames before and behind seem turned the other way by half as much, which no drift of light or subject
    does: the three together tell better than one.
    """
    three = turned[i - 1 : i + 2]
    before, turn, behind = three if len(three) == 3 else (None, None, None)
    if before is None or turn is None or behind is None:
        return None
    along = (turn.along - (before.along + behind.along) / 2) / 1.5
    across = (turn.across - (before.across + behind.across) / 2) / 1.5
    error = math.hypot(turn.error, before.error / 2, behind.error / 2) / 1.5
    if math.hypot(along, across) < max(_LEAST_SMEAR, _SURELY * math.hypot(error, _LEAST_SCATTER)):
        return None
    if turn.size < max(before.size, behind.size):
        return None
    return math.degrees(math.atan2(across, along)) / 2 % 180
