"""One picture looked into: small arrays of what it shows, small enough to keep those of a whole stack."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal
from stacker.looking.fields import tiles_of
from stacker.pictures.preview import read_for_looking
from stacker.pictures.settings import Settings, settings_of
from stacker.pixels.energy import directional_energy
from stacker.pixels.light import light_of_fields
from stacker.pixels.small import SmallPicture, small_picture

FloatArray: TypeAlias = NDArray[np.float32]


def _nothing() -> FloatArray:
    return np.zeros((0, 0), dtype=np.float32)


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What one picture shows.

    Parameters
    ----------
    pixels : (int, int)
        Rows and columns of what was read: of a raw file, of the JPEG inside.
    light : ndarray, shape (rows, columns)
        Mean light of each field, 0 to 1; infinite where it is clipped.
    fine : ndarray, shape (bands, rows, columns)
        Energy of fine contrast of each tile, as `planes` takes it.
    ways : ndarray, shape (directions, rows, columns)
        That of the finest band by direction, as `blur` takes it.
    small : ndarray of uint8, shape (rows, columns)
        The picture itself, small, as `moved` takes it.
    settings : Settings
        What the camera wrote.
    fault : str or None
        Why it could not be looked into.
    """

    pixels: tuple[int, int] = (0, 0)
    light: FloatArray = field(default_factory=_nothing)
    fine: FloatArray = field(default_factory=_nothing)
    ways: FloatArray = field(default_factory=_nothing)
    small: SmallPicture = field(default_factory=lambda: np.zeros((0, 0), dtype=np.uint8))
    settings: Settings = field(default_factory=Settings)
    fault: str | None = None

    @property
    def sizes(self) -> tuple[tuple[int, ...], ...]:
        """What must be alike in pictures that are compared."""
        return self.pixels, self.light.shape, self.fine.shape, self.ways.shape, self.small.shape


def look_into(path: Path) -> Seen:
    """Look into one picture; one that cannot be read says so and stops nothing.

    Raises
    ------
    Refusal
        Where an extra is not installed.
    """
    try:
        grey = read_for_looking(path)
    except Refusal as refusal:
        if refusal.code == "no_pillow":
            raise
        return Seen(fault=str(refusal).removeprefix(f"{path}: "))
    rows, columns = grey.shape
    directional = directional_energy(grey)
    return Seen(
        pixels=(rows, columns),
        light=light_of_fields(grey),
        fine=tiles_of(directional.mean(axis=1)).astype(np.float32),
        ways=tiles_of(directional[0]).astype(np.float32),
        small=small_picture(grey),
        settings=settings_of(path),
    )
