"""The colours of the light: one wavelength, or several with weights."""

from __future__ import annotations

from functools import cached_property

from numpy.polynomial.legendre import leggauss

from stacker.optics.otf import FloatArray, floats
from stacker.records import record


@record
class Spectrum:
    """Wavelengths and their shares of the light, as the sensor sees it.

    Attributes
    ----------
    wavelengths_nm : tuple of float
        In air [nm].
    weights : tuple of float
        Of any scale [-].
    """

    wavelengths_nm: tuple[float, ...]
    weights: tuple[float, ...]

    @classmethod
    def single(cls, wavelength_nm: float) -> Spectrum:
        """Light of one colour."""
        return cls(wavelengths_nm=(wavelength_nm,), weights=(1.0,))

    @classmethod
    def band(cls, shortest_nm: float, longest_nm: float, *, nodes: int = 5) -> Spectrum:
        """Light spread evenly over a band, as Gauss-Legendre nodes.

        Parameters
        ----------
        shortest_nm, longest_nm : float
            Ends of the band [nm].
        nodes : int
            Five are plenty for the visible.

        Returns
        -------
        Spectrum
        """
        x, weights = leggauss(nodes)
        wavelengths = (longest_nm + shortest_nm) / 2 + (longest_nm - shortest_nm) / 2 * x
        return cls(wavelengths_nm=tuple(wavelengths.tolist()), weights=tuple((weights / 2).tolist()))

    @cached_property
    def shares(self) -> FloatArray:
        """Weights that add up to 1, shape (L,) [-]."""
        weights = floats(self.weights)
        shares: FloatArray = weights / weights.sum()
        return shares

    @property
    def mean_nm(self) -> float:
        """Weighted mean wavelength: the one for rules that know a single colour [nm]."""
        return float(self.shares @ floats(self.wavelengths_nm))
