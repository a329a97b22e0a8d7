"""The settings that a camera wrote into a file: EXIF, by a reader that is an extra."""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from stacker.errors import Refusal
from stacker.figures import install_command


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """How a picture was taken, as far as it says; None: not written.

    Parameters
    ----------
    exposure_s, f_number, iso, focal_length_mm : float or None
        Exposure time [s], marked f-number, sensitivity, focal length [mm].
    white_balance : str or None
        In the reader's words.
    """

    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    white_balance: str | None = None


_NUMBERS = {
    "exposure_s": "EXIF ExposureTime",
    "f_number": "EXIF FNumber",
    "iso": "EXIF ISOSpeedRatings",
    "focal_length_mm": "EXIF FocalLength",
}


def settings_of(path: Path) -> Settings:
    """What is written in a file; nothing where it holds nothing that can be read.

    Raises
    ------
    Refusal
        Without exifread.
    """
    try:
        exifread: Any = import_module("exifread")
    except ImportError:
        raise Refusal(
            "reading a camera's settings needs exifread, which belongs to an extra. In the folder with "
            f"pyproject.toml: {install_command('look')}",
            code="no_exifread",
        ) from None
    logging.getLogger("exifread").setLevel(logging.CRITICAL)  # it warns of every file that has no EXIF
    try:
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False, extract_thumbnail=False)
        balance = tags.get("EXIF WhiteBalance")
        return Settings(
            **{name: _number(tags.get(tag)) for name, tag in _NUMBERS.items()},
            white_balance=None if balance is None else str(balance).strip() or None,
        )
    except Exception:  # noqa: BLE001  # the reader stumbles over strange bytes in ways of its own
        return Settings()


def _number(tag: Any) -> float | None:
    """A number above 0: a lens without contacts is written as 0, or as a division by it."""
    try:
        value = tag.values[0]
        number = float(value.num) / float(value.den) if hasattr(value, "num") else float(value)
    except (AttributeError, IndexError, TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < math.inf else None
