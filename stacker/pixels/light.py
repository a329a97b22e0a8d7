"""How much light falls on each field of a picture, as far as a developed picture tells."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float32]

FIELDS_ACROSS = 96  # along the long side: fine enough for a small subject, coarse enough to forgive a change of blur
SMALLEST_PX = 16
_CLIPPED = 0.98  # of the scale: cameras roll off before its end
_FEW = 0.02  # of a field's pixels


def field_px(rows: int, columns: int) -> int:
    """Side of a field [px]: a multiple of 16."""
    return max(SMALLEST_PX, round(max(rows, columns) / FIELDS_ACROSS / SMALLEST_PX) * SMALLEST_PX)


def light_of_fields(grey: NDArray[np.uint8] | NDArray[np.uint16]) -> FloatArray:
    """Mean light of each field.

    Parameters
    ----------
    grey : ndarray, shape (rows, columns)
        8 or 16 bits, with a tone curve.

    Returns
    -------
    ndarray, shape (rows // side, columns // side)
        0 to 1 at the end of the scale, infinite where more than a fiftieth of the field is clipped. The tone curve is
        taken for that of sRGB (IEC 61966-2-1, from memory). A camera's own is steeper in the middle: ratios of light
        come out larger by as much.
    """
    side = field_px(*grey.shape)
    rows, columns = grey.shape[0] // side, grey.shape[1] // side
    top = float(np.iinfo(grey.dtype).max)
    light = np.empty((rows, columns), dtype=np.float32)
    curve = _linear(np.arange(256, dtype=np.float32) / 255) if grey.dtype == np.uint8 else None
    for row in range(rows):  # a row of fields at a time: the whole picture in floats would take 100 MB
        strip = grey[row * side : (row + 1) * side, : columns * side]
        values = _linear(strip.astype(np.float32) / top) if curve is None else np.take(curve, strip)
        light[row] = values.sum(axis=0).reshape(columns, side).sum(axis=1) / side**2
        clipped = np.count_nonzero((strip >= _CLIPPED * top).reshape(side, columns, side), axis=(0, 2))
        light[row, clipped > _FEW * side**2] = np.inf
    return light


def _linear(value: NDArray[np.floating]) -> FloatArray:
    decoded = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return decoded.astype(np.float32)
