"""Contrast of the whole system: how fine it resolves in focus, and how much of that defocus keeps.

Frequencies are on the sensor, in line pairs per mm; defocus is a displacement of the subject, in um. The pixel and a
real lens's blur multiply contrast in and out of focus alike, so they cancel in the share that is kept and only set
the finest detail that is worth keeping. Array arguments (effective f-number, aperture, frequency, defocus) broadcast,
and results have the shape of that.

References
----------
.. [1] G. D. Boreman, Modulation Transfer Function in Optical and Electro-Optical Systems, 2001, the chapter on
   detector arrays: a square pixel multiplies contrast by a sinc (from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from stacker.optics.beam import Beam
from stacker.optics.impossible import Impossible
from stacker.optics.otf import FloatArray, defocus_for_share, defocused_otf, falling_root, floats
from stacker.optics.spectrum import Spectrum

# Relative frequency at which defocus costs most: a search over the OTF finds 0.4911 (share 0.1) to 0.4945
# (share 0.99); depths at 0.494 are within 4e-5 of the smallest.
MOST_SENSITIVE_S = 0.494


def defocus_um(*, waves: ArrayLike, object_na: ArrayLike, wavelength_nm: ArrayLike, index: float = 1.0) -> FloatArray:
    """Return the displacement of the subject that gives so much defocus at the pupil's edge.

    Parameters
    ----------
    waves : array_like
        Defocus W20 [waves].
    object_na : array_like
        Numerical aperture on the subject's side [-].
    wavelength_nm : array_like
        In air [nm].
    index : float
        Refractive index around the subject [-].

    Returns
    -------
    ndarray
        Along the axis [um].

    Notes
    -----
    Derived: a point dz out of focus has the path n dz (1 - cos a) more at the edge, n sin a = NA. Written without the
    difference of nearly equal numbers: W20 = dz NA^2/(n + sqrt(n^2 - NA^2)).
    """
    na = floats(object_na)
    wavelength_um = floats(wavelength_nm) * 1e-3
    return floats(waves) * wavelength_um * (index + np.sqrt(index**2 - np.square(na))) / np.square(na)


def in_focus_contrast(
    frequency_lp_mm: ArrayLike,
    *,
    effective_f_number: ArrayLike,
    pixel_pitch_um: float,
    spectrum: Spectrum,
    lens_falloff_mm2: float = 0.0,
) -> FloatArray:
    """Return the contrast of the system in focus: diffraction, square pixels without gaps, and the lens.

    Parameters
    ----------
    frequency_lp_mm : array_like
        On the sensor, along a row or column of pixels [lp/mm].
    effective_f_number : array_like
        Of the rig [-].
    pixel_pitch_um : float
        Centre to centre [um].
    spectrum : Spectrum
        Of the light.
    lens_falloff_mm2 : float
        From `lens_falloff_mm2`; 0 for a perfect lens [mm^2].

    Returns
    -------
    ndarray
        OTF in focus times sinc(p nu) [1]_ times exp(-g nu^2), 1 at frequency 0 [-].
    """
    frequency = floats(frequency_lp_mm)
    diffraction = _optics_contrast(frequency, effective_f_number, spectrum)
    pixel = np.sinc(pixel_pitch_um * 1e-3 * frequency)
    return diffraction * pixel * np.exp(-lens_falloff_mm2 * frequency**2)


def lens_falloff_mm2(
    *, lens_mtf50_lp_mm: float, effective_f_number: float, pixel_pitch_um: float, spectrum: Spectrum
) -> float:
    """Return g of the Gaussian exp(-g nu^2) that gives the whole system contrast 0.5 where it was measured.

    Parameters
    ----------
    lens_mtf50_lp_mm : float
        Frequency of contrast 0.5, measured on this camera at this aperture and magnification [lp/mm].
    effective_f_number : float
        Of the rig [-].
    pixel_pitch_um : float
        Centre to centre [um].
    spectrum : Spectrum
        Of the light.

    Returns
    -------
    float
        g [mm^2]. A Gaussian stands in for what nobody measured: common practice, no source.

    Raises
    ------
    Impossible
        If not even a perfect lens would give 0.5 there.
    """

    def perfect(frequency: ArrayLike) -> FloatArray:
        return in_focus_contrast(
            frequency, effective_f_number=effective_f_number, pixel_pitch_um=pixel_pitch_um, spectrum=spectrum
        )

    excess = float(perfect(lens_mtf50_lp_mm)) / 0.5
    if excess < 1:
        best = float(falling_root(lambda nu: perfect(nu) - 0.5, 0.0, 1e3 / pixel_pitch_um))
        raise Impossible(
            "better_than_perfect",
            f"found {lens_mtf50_lp_mm:g} lp/mm; at f/{effective_f_number:.3g} effective and {pixel_pitch_um:.3g} um "
            f"pixels a perfect lens gives contrast 0.5 at {best:.4g} lp/mm",
        )
    return math.log(excess) / lens_mtf50_lp_mm**2


def target_frequency_lp_mm(
    *,
    effective_f_number: ArrayLike,
    pixel_pitch_um: float,
    spectrum: Spectrum,
    resolved_contrast: float,
    output_pitch_um: float | None = None,
    lens_falloff_mm2: float = 0.0,
) -> FloatArray:
    """Return the finest frequency that the system resolves and the picture needs.

    Parameters
    ----------
    effective_f_number : array_like
        Of the rig [-].
    pixel_pitch_um : float
        Centre to centre [um].
    spectrum : Spectrum
        Of the light.
    resolved_contrast : float
        In-focus contrast that counts as resolved, between 0 and 1 [-].
    output_pitch_um : float or None
        Sensor's long side over the pixels to be delivered along it, where that is coarser than the pixels [um].
    lens_falloff_mm2 : float
        From `lens_falloff_mm2`; 0 for a perfect lens [mm^2].

    Returns
    -------
    ndarray
        Where in-focus contrast falls to `resolved_contrast`, at most half a cycle a pixel (Nyquist), sensor or output
        [lp/mm].
    """
    n_e = floats(effective_f_number)
    nyquist_lp_mm = 500 / max(pixel_pitch_um, output_pitch_um or 0.0)

    def above(frequency: FloatArray) -> FloatArray:
        contrast = in_focus_contrast(
            frequency,
            effective_f_number=n_e,
            pixel_pitch_um=pixel_pitch_um,
            spectrum=spectrum,
            lens_falloff_mm2=lens_falloff_mm2,
        )
        return contrast - resolved_contrast

    return falling_root(above, np.zeros_like(n_e), nyquist_lp_mm)


def held_frequency_lp_mm(target_lp_mm: ArrayLike, beam: Beam) -> FloatArray:
    """Return the frequency at which a share is held: the target, or the most sensitive one below it.

    Then every detail up to the target keeps the share, and a finer target never gives a thicker slice.

    Returns
    -------
    ndarray
        At most `MOST_SENSITIVE_S` of the cut-off 1/(lam N_e) [lp/mm].
    """
    most_sensitive_lp_mm = MOST_SENSITIVE_S * 1e6 / (beam.spectrum.mean_nm * floats(beam.effective_f_number))
    return np.minimum(target_lp_mm, most_sensitive_lp_mm)


def share_kept(displacement_um: ArrayLike, *, frequency_lp_mm: ArrayLike, beam: Beam) -> FloatArray:
    """Return the contrast at a displacement from focus over that in focus, signed.

    Parameters
    ----------
    displacement_um : array_like
        Of the subject from the plane of focus; only its size matters [um].
    frequency_lp_mm : array_like
        On the sensor, below the cut-off [lp/mm].
    beam : Beam
        Of the rig.

    Returns
    -------
    ndarray
        1 in focus; negative past the first zero, where detail is reversed [-].
    """
    n_e, colours = beam.effective_f_number, beam.spectrum
    waves = floats(displacement_um)[..., None] / _defocus_um(1.0, beam)
    return _optics_contrast(frequency_lp_mm, n_e, colours, waves) / _optics_contrast(frequency_lp_mm, n_e, colours)


def displacement_for_share_um(share: float, *, frequency_lp_mm: ArrayLike, beam: Beam) -> FloatArray:
    """Return the displacement from focus at which `share` of the in-focus contrast is left: `share_kept` inverted.

    Parameters
    ----------
    share : float
        Between 0 and 1, neither included [-].
    frequency_lp_mm : array_like
        On the sensor, below the cut-off [lp/mm].
    beam : Beam
        Of the rig.

    Returns
    -------
    ndarray
        Half the depth in which the share is kept [um].

    Raises
    ------
    ValueError
        For a frequency that is not between 0 and the cut-off of every wavelength.
    """
    s = _relative_frequency(frequency_lp_mm, beam.effective_f_number, beam.spectrum)
    each_um = _defocus_um(defocus_for_share(s, share), beam)
    if len(beam.spectrum.wavelengths_nm) == 1:
        return each_um[..., 0]

    def above(displacement_um: FloatArray) -> FloatArray:
        return share_kept(displacement_um, frequency_lp_mm=frequency_lp_mm, beam=beam) - share

    # where the first colour reaches the share the sum has not yet, and where the last does the sum has
    return falling_root(above, each_um.min(axis=-1), each_um.max(axis=-1))


def _defocus_um(waves: ArrayLike, beam: Beam) -> FloatArray:
    """`defocus_um` for each wavelength, along the last axis; behind a flat face, where it takes so much more depth."""
    na = floats(beam.object_na)[..., None]
    colours_nm = beam.spectrum.wavelengths_nm
    return beam.embedding * defocus_um(waves=waves, object_na=na, wavelength_nm=colours_nm, index=beam.index)


def _optics_contrast(
    frequency_lp_mm: ArrayLike, effective_f_number: ArrayLike, spectrum: Spectrum, waves: ArrayLike = 0.0
) -> FloatArray:
    """Sum of the OTFs of all wavelengths; `waves` has them along its last axis."""
    contrast: FloatArray = (
        defocused_otf(_relative_frequency(frequency_lp_mm, effective_f_number, spectrum), waves) @ spectrum.shares
    )
    return contrast


def _relative_frequency(frequency_lp_mm: ArrayLike, effective_f_number: ArrayLike, spectrum: Spectrum) -> FloatArray:
    """Frequency over the cut-off of each wavelength, along a new last axis."""
    frequency, n_e = (floats(x)[..., None] for x in (frequency_lp_mm, effective_f_number))
    return frequency * n_e * floats(spectrum.wavelengths_nm) * 1e-6
