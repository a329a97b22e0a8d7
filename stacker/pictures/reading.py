"""A picture from its file as an array: upright, or as the sensor lay. Pillow is an extra, imported inside."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from stacker.errors import Refusal
from stacker.figures import install_command

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

KINDS = ("JPEG", "TIFF", "PNG")


def read_grey(path: Path, *, upright: bool = True) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """The brightness of a developed picture.

    Parameters
    ----------
    path : Path
        A JPEG, TIFF or PNG file.
    upright : bool
        Turned as its orientation says; otherwise as its rows stand in the file. A camera that looks down may write
        another orientation into each frame of a stack, while the sensor lay as it lies.

    Returns
    -------
    ndarray, shape (rows, columns)
        8 or 16 bits, with whatever tone curve the file has.

    Raises
    ------
    Refusal
        When Pillow is not installed, or the file is no such picture or not whole.
    """
    image_of, turned = _pillow()
    import numpy as np

    if not path.is_file():
        raise Refusal(f"{path}: there is no such file", code="no_picture")
    with told_faults(path), image_of(path, formats=KINDS) as image:
        image.draft("L", image.size)  # a JPEG's brightness without its colours: half the time
        return np.asarray(grey_of(turned(image) if upright else image))


def grey_of(image: Any) -> Any:
    """A picture of Pillow's without colours; 16 bits stay."""
    return image if image.mode in ("L", "I;16") else image.convert("L")


def open_picture(file: Path | BinaryIO) -> Any:
    """A developed picture, opened by Pillow and not yet decoded.

    Raises
    ------
    Refusal
        When Pillow is not installed. What Pillow itself raises is told by `told_faults`.
    """
    return _pillow()[0](file, formats=KINDS)


@contextmanager
def told_faults(path: Path) -> Iterator[None]:
    """Say of which file it is what Pillow stumbles over.

    Raises
    ------
    Refusal
        When the file is no such picture or not whole.
    """
    from PIL import Image

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # sensors of 100 megapixels are no attack
        try:
            yield
        except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
            raise Refusal(
                f"{path}: found no whole JPEG, TIFF or PNG picture ({type(error).__name__}); a raw file must be "
                "developed first, at full size",
                code="no_picture",
            ) from None


def need_pillow() -> None:
    """Refuse where no picture can be read.

    Raises
    ------
    Refusal
        Without Pillow.
    """
    _pillow()


def _pillow() -> tuple[Any, Any]:
    """How to open a picture, and how to turn it upright."""
    try:
        from PIL import Image, ImageOps
    except ImportError:
        raise Refusal(
            "looking into pictures needs Pillow, which belongs to an extra. In the folder with pyproject.toml: "
            f"{install_command('look')}",
            code="no_pillow",
        ) from None
    return Image.open, ImageOps.exif_transpose
