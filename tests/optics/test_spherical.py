"""Spherical aberration: the OTF against the perfect lens's, and against pupils that are sampled and transformed."""

from __future__ import annotations

import darkroom.lens
import numpy as np
import pytest
from darkroom.lens import Lens

from stacker.optics.otf import defocused_otf
from stacker.optics.spherical import spherical_otf


@pytest.mark.parametrize("s", [0.03, 0.2, 0.494, 0.9])
def test_without_aberration_it_is_the_perfect_lens(s):
    waves = np.linspace(-1, 1, 9) * 4.25 / (8 * np.pi * s * (1 - s))  # as far as contrast goes
    assert spherical_otf(s, waves, 0.0) == pytest.approx(defocused_otf(s, waves), abs=1e-10)


@pytest.mark.parametrize("w040", [0.5, -1.0, 1.5])
def test_with_aberration_it_is_the_transform_of_a_sampled_pupil(w040, monkeypatch):
    # the darkroom's lens: an autocorrelation by FFT; its error, from the rim, halves with twice the samples across
    lens = Lens(magnification=1.0, f_number=4.0, pitch_um=1.0, spherical_waves=w040)
    nu = np.fft.rfftfreq(400, 0.5)
    for w20 in (-1.2 * w040, -w040, -0.5 * w040):
        # that lens has W040 (rho^4 - rho^2), and the exact path, which at NA 0.06 is the parabola to 1e-3
        defocus_um = (w20 + w040) * lens.wavelength_um / (1 - np.sqrt(1 - lens.na**2))
        drawn = []
        for across in (96, 192):
            monkeypatch.setattr(darkroom.lens, "_ACROSS", across)
            drawn.append(lens.transfer(defocus_um, (4, 400))[0] / np.sinc(nu))
        relative = nu * lens.wavelength_um * lens.effective_f_number / lens.pitch_um
        for s in (0.1, 0.3, 0.5, 0.8):
            wanted = float(np.interp(s, relative, 2 * drawn[1] - drawn[0]))
            # what is left of that error, and lines between its frequencies
            assert spherical_otf(s, np.array([w20]), w040)[0] == pytest.approx(wanted, abs=2e-3)
