"""What a camera wrote into its files: EXIF, by a reader that is an extra."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, timezone
from importlib import import_module
from pathlib import Path
from typing import Any


def exif_reader() -> Callable[[Path], float | None] | None:
    """A function that reads capture times, or ``None`` where the extra ``exif`` is not installed."""
    try:
        exifread: Any = import_module("exifread")
    except ImportError:
        return None
    logging.getLogger("exifread").setLevel(logging.CRITICAL)  # it warns of every file that has no EXIF

    def taken_s(path: Path) -> float | None:
        try:
            with path.open("rb") as file:
                tags = exifread.process_file(file, details=False, extract_thumbnail=False)
            return _seconds(str(tags["EXIF DateTimeOriginal"]), str(tags.get("EXIF SubSecTimeOriginal", "")))
        except Exception:  # noqa: BLE001  # no capture time, or bytes that the reader stumbles over in its own way
            return None

    return taken_s


def _seconds(moment: str, fraction: str) -> float:
    """EXIF's ``2031:03:04 21:15:09`` and fraction digits as seconds; the camera's time zone is not known or needed."""
    whole = datetime.strptime(moment.strip(), "%Y:%m:%d %H:%M:%S").replace(tzinfo=timezone.utc).timestamp()
    digits = fraction.strip()
    return whole + (float(f"0.{digits}") if digits.isdecimal() else 0.0)
