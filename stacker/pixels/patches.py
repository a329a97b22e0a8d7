"""How far each patch of a picture lies from where another picture of the same thing has it, by slopes of brightness.

A patch that moves by d changes by d times its slope, so d follows by least squares over the patch [1]_: first in a
coarse copy, which sees far, then in the fine one, moved by what the coarse one said.

References
----------
.. [1] B. D. Lucas, T. Kanade, "An iterative image registration technique with an application to stereo vision", Proc.
   7th Int. Joint Conf. on Artificial Intelligence, 1981, 674-679 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, zoom

from stacker.pixels.small import SmallPicture

FloatArray: TypeAlias = NDArray[np.float32]

PATCH = 16
"""From patch to patch, each way [px of the small picture]; each is weighed twice as wide."""

_BLACK = 4.0  # of 255, added before the logarithm: under it there is noise
_FINE_PX, _COARSE_PX = 1.0, 6.0  # detail between these counts: finer is noise, coarser is light
_FARTHEST = 3.0  # px of the coarse copy that the slopes may tell of
_LEAST_SLOPE = 1e-9
_ROUNDING = 0.002  # of the logarithm, by 255 levels


@dataclass(frozen=True, kw_only=True, slots=True)
class Patches:
    """Of each patch of one picture, where it lies in the other.

    Parameters
    ----------
    shift : ndarray, shape (2, rows, columns)
        Down and across [px of the small picture].
    error : ndarray, shape (rows, columns)
        Standard error of each along its less certain way, by what the shift leaves of the difference [px].
    """

    shift: FloatArray
    error: FloatArray


def detail(small: SmallPicture) -> FloatArray:
    """The logarithm of brightness without its slow and its finest changes: another exposure has the same."""
    level = np.log(small.astype(np.float32) + _BLACK)
    kept: FloatArray = gaussian_filter(level, _FINE_PX) - gaussian_filter(level, _COARSE_PX)
    return kept


def patch_shifts(one: FloatArray, other: FloatArray) -> Patches:
    """The shifts of the patches of one picture against another, both as `detail` gives them.

    Parameters
    ----------
    one, other : ndarray, shape (rows, columns)
    """
    far, _ = _by_slopes(_halved(one), _halved(other), PATCH // 2)
    begun = 2 * np.clip(far, -_FARTHEST, _FARTHEST)
    rows, columns = one.shape
    field = [
        zoom(part, (rows / part.shape[0], columns / part.shape[1]), order=1, grid_mode=True, mode="nearest")
        for part in begun
    ]
    y, x = np.indices(one.shape, dtype=np.float32)
    moved = map_coordinates(other, [y + field[0], x + field[1]], order=1, mode="nearest")
    shift, error = _by_slopes(one, moved, PATCH)
    return Patches(shift=(shift + begun).astype(np.float32), error=error.astype(np.float32))


def _halved(level: FloatArray) -> FloatArray:
    rows, columns = (size // 2 for size in level.shape)
    half: FloatArray = level[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).mean(axis=(1, 3))
    return half


def _by_slopes(one: FloatArray, other: FloatArray, patch: int) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Shift of each patch, down and across, and its standard error."""
    down, across = (np.asarray(slope) for slope in np.gradient((one + other) / 2))
    change = one - other  # of what lies farther down in the other, what is above it is seen here
    yy, xx, yx, yc, xc, cc = (
        _summed(product, patch)
        for product in (down * down, across * across, down * across, down * change, across * change, change * change)
    )
    determinant = np.maximum(yy * xx - yx * yx, _LEAST_SLOPE)
    shift = np.stack(((xx * yc - yx * xc) / determinant, (yy * xc - yx * yc) / determinant))
    left = np.maximum(cc - shift[0] * yc - shift[1] * xc, _ROUNDING**2)
    weakest = (yy + xx) / 2 - np.sqrt(((yy - xx) / 2) ** 2 + yx**2)
    # of the samples of a patch that counts fully under its window; smoothed ones tell of their neighbours
    count = (patch / _FINE_PX / 2.5) ** 2
    error = np.sqrt(left / count / np.maximum(weakest, _LEAST_SLOPE))
    return shift, error


def _summed(product: NDArray[np.floating], patch: int) -> NDArray[np.floating]:
    """Means under windows that rise and fall over twice the way from patch to patch."""
    block = patch // 2
    rows, columns = (size // patch for size in product.shape)
    whole = product[: rows * patch, : columns * patch].reshape(2 * rows, block, 2 * columns, block)
    rimmed = np.pad(whole.mean(axis=(1, 3)), 1, mode="edge")
    down = rimmed[:-3:2] + 2 * (rimmed[1:-2:2] + rimmed[2:-1:2]) + rimmed[3::2]
    some: NDArray[np.floating] = (down[:, :-3:2] + 2 * (down[:, 1:-2:2] + down[:, 2:-1:2]) + down[:, 3::2]) / 36
    return some
