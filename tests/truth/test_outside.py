"""A published number and an independent library that nothing else in these tests rests on.

A real measurement of a defocused lens with its f-number, magnification and pixels all stated was not to be had:
README.md in this folder says so.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import j1

from stacker.optics.beam import Beam
from stacker.optics.contrast import share_kept
from stacker.optics.otf import defocused_otf
from stacker.optics.spectrum import Spectrum


def test_light_in_the_central_patch():
    """84 percent of the light in focus: W. J. Smith, in a handbook of electro-optics, section 11.6.1."""
    radius = 1.2196698913  # first dark ring, in lam N_e

    def of_ring(s: float) -> float:
        # energy within a radius r from the OTF: E = 2 pi r * integral of OTF(nu) J1(2 pi r nu) dnu
        return float(defocused_otf(s, 0.0)) * j1(2 * np.pi * radius * s)

    enclosed = 2 * np.pi * radius * quad(of_ring, 0, 1)[0]
    assert enclosed == pytest.approx(0.84, abs=0.005)  # printed in whole per cent


FREQUENCIES = np.array([0.1, 0.3, 0.494, 0.7])  # shares of the cut-off
# Contrast at them, by waves of defocus, as hcipy 0.6 propagates it: recorded, since it brings 150 MB of packages.
PROPAGATED = {
    0.0: [0.8755488452, 0.6257371603, 0.3988323765, 0.1886872330],
    0.1: [0.8700266297, 0.6048956373, 0.3804338771, 0.1826178977],
    0.25: [0.8414177273, 0.5030977418, 0.2931964819, 0.1529465155],
    0.5: [0.7443540911, 0.2299666264, 0.0862137920, 0.0730224576],
}


def test_the_share_kept_is_what_another_library_propagates():
    n_e, na, lam_nm = 8.0, 0.05, 550.0
    for waves in (0.1, 0.25, 0.5):
        displacement_um = waves * lam_nm * 1e-3 * (1 + np.sqrt(1 - na**2)) / na**2
        ours = share_kept(
            displacement_um,
            frequency_lp_mm=FREQUENCIES * 1e6 / (lam_nm * n_e),
            beam=Beam(effective_f_number=n_e, object_na=na, spectrum=Spectrum.single(lam_nm)),
        )
        # the image is cut off at 64 lam N_e; what lies outside is alike in and out of focus but for this much
        assert np.divide(PROPAGATED[waves], PROPAGATED[0.0]) == pytest.approx(ours, abs=5e-4)


@pytest.mark.campaign
def test_what_was_recorded_is_what_that_library_propagates_today():
    """hcipy: a supersampled pupil of 512 points, Fraunhofer propagation, the image's own Fourier integral."""
    import hcipy

    pupil = hcipy.make_pupil_grid(512, 1.0)
    aperture = hcipy.evaluate_supersampled(hcipy.make_circular_aperture(1.0), pupil, 8)
    image = hcipy.make_focal_grid(4, 64)
    propagate = hcipy.FraunhoferPropagator(pupil, image)
    rho_squared = 4 * (pupil.x**2 + pupil.y**2)
    for waves, recorded in PROPAGATED.items():
        field = hcipy.Field(aperture * np.exp(2j * np.pi * waves * rho_squared), pupil)
        power = propagate.forward(hcipy.Wavefront(field)).power
        contrast = [np.sum(power * np.cos(2 * np.pi * s * image.x)) / np.sum(power) for s in FREQUENCIES]
        assert contrast == pytest.approx(recorded, abs=1e-9)  # ten digits recorded
