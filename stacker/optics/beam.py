"""The cone of light that makes the picture of a point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stacker.optics.otf import floats
from stacker.optics.spectrum import Spectrum
from stacker.records import record


@record
class Beam:
    """What contrast out of focus depends on besides frequency and defocus; arrays broadcast, one value a frame.

    Attributes
    ----------
    effective_f_number : array_like
        On the sensor's side [-].
    object_na : array_like
        Numerical aperture on the subject's side [-].
    spectrum : Spectrum
        Of the light.
    index : float
        Refractive index between lens and subject [-].
    embedding : float
        Refractive index behind a flat face that the subject lies in, with a dry lens [-]. The face spreads depth, and
        seen from the lens all is in air and that many times nearer together.
    """

    effective_f_number: ArrayLike
    object_na: ArrayLike
    spectrum: Spectrum
    index: float = 1.0
    embedding: float = 1.0

    def __getitem__(self, frames: int | slice | NDArray[np.int_]) -> Beam:
        """Some of the frames, where there is a value for each."""
        return replace(
            self,
            effective_f_number=floats(self.effective_f_number)[frames],
            object_na=floats(self.object_na)[frames],
        )
