"""The green sites of a raw file, linear and untouched. rawpy is an extra, imported inside."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stacker.errors import Refusal
from stacker.figures import install_command

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DEVELOPED = frozenset({".jpg", ".jpeg", ".jpe", ".tif", ".tiff", ".png", ".heic", ".heif", ".hif"})


def read_greens(path: Path) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Values of the sites of a mosaic, and which of them are green.

    Parameters
    ----------
    path : Path
        A raw file.

    Returns
    -------
    sites : ndarray, shape (rows, columns)
        0 at black, 1 at the sensor's limit.
    green : ndarray of bool, shape (rows, columns)

    Raises
    ------
    Refusal
        For a developed picture, a file that cannot be read, or a sensor without such a mosaic; without rawpy.
    """
    if path.suffix.lower() in DEVELOPED:
        raise Refusal(
            f"{path}: a developed picture; demosaicing, tone curve and sharpening change the contrast of an edge by up "
            "to 40%, so raw files are needed",
            code="developed",
        )
    try:
        import rawpy
    except ImportError:
        raise Refusal(
            "reading raw files needs rawpy, which belongs to an extra. In the folder with pyproject.toml: "
            f"{install_command('raw')}",
            code="no_rawpy",
        ) from None
    import numpy as np

    try:
        with rawpy.imread(str(path)) as raw:
            sites = np.asarray(raw.raw_image_visible, dtype=np.float32)
            colours = np.asarray(raw.raw_colors_visible)
            names = raw.color_desc.decode("ascii", "replace")
            black = np.asarray(raw.black_level_per_channel, dtype=np.float32)
            white = float(raw.white_level)
    except (rawpy.LibRawError, OSError, AttributeError, TypeError, ValueError) as error:
        raise Refusal(
            f"{path}: found no raw file that can be read ({type(error).__name__})", code="no_picture"
        ) from None
    green = np.isin(colours, [place for place, name in enumerate(names) if name == "G"])
    if not 0.4 < float(green.mean()) < 0.7:
        raise Refusal(f"{path}: the sensor has no mosaic of which half is green", code="no_mosaic")
    return (sites - black[colours]) / (white - black[colours]), green
