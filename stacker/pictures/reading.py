"""A picture from its file: upright, as an array. Pillow is an extra, imported inside."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stacker.errors import Refusal
from stacker.figures import install_command

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_KINDS = ("JPEG", "TIFF", "PNG")


def read_grey(path: Path) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """The brightness of a developed picture, turned upright as its orientation says.

    Parameters
    ----------
    path : Path
        A JPEG, TIFF or PNG file.

    Returns
    -------
    ndarray, shape (rows, columns)
        8 or 16 bits, with whatever tone curve the file has.

    Raises
    ------
    Refusal
        When Pillow is not installed, or the file is no such picture or not whole.
    """
    try:
        from PIL import Image, ImageOps
    except ImportError:
        raise Refusal(
            "looking into pictures needs Pillow, which belongs to an extra. In the folder with pyproject.toml: "
            f"{install_command('look')}",
            code="no_pillow",
        ) from None
    import numpy as np

    if not path.is_file():
        raise Refusal(f"{path}: there is no such file", code="no_picture")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # sensors of 100 megapixels are no attack
        try:
            with Image.open(path, formats=_KINDS) as image:
                image.draft("L", image.size)  # a JPEG's brightness without its colours: half the time
                upright: Any = ImageOps.exif_transpose(image)
                grey = upright if upright.mode in ("L", "I;16") else upright.convert("L")
                return np.asarray(grey)
        except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
            raise Refusal(
                f"{path}: found no whole JPEG, TIFF or PNG picture ({type(error).__name__}); a raw file must be "
                "developed first, at full size",
                code="no_picture",
            ) from None
