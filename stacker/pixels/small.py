"""A picture made small: what is kept of it when it is compared with the next one."""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

SmallPicture: TypeAlias = NDArray[np.uint8]

LONGEST = 400
"""Pixels along the longer side of a small picture: a patch of it is found to a twentieth of a pixel or so."""


def small_picture(grey: NDArray[np.uint8] | NDArray[np.uint16]) -> SmallPicture:
    """Means over squares of pixels, so few that the small pictures of a whole stack fit in memory."""
    bins = small_bins(grey.shape)
    rows, columns = (size // bins for size in grey.shape)
    whole = grey[: rows * bins, : columns * bins].reshape(rows, bins, columns * bins)
    lines = whole.sum(axis=1, dtype=np.float32)
    means = lines.reshape(rows, columns, bins).sum(axis=2) / bins**2
    top = 255 if grey.dtype == np.uint8 else 65_535
    small: SmallPicture = np.rint(255 / top * means).astype(np.uint8)
    return small


def small_bins(shape: tuple[int, ...]) -> int:
    """Pixels of a picture to one of its small picture, each way."""
    return max(1, math.ceil(max(shape) / LONGEST))
