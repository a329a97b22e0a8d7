"""Wavelengths and weights."""

from __future__ import annotations

import math

import pytest

from stacker.errors import Refusal
from stacker.optics.spectrum import Spectrum


def test_weights_are_shares():
    two = Spectrum(wavelengths_nm=(500, 600), weights=(1, 3))
    assert two.shares == pytest.approx([0.25, 0.75])
    assert two.mean_nm == pytest.approx(575)


def test_band_is_even():
    band = Spectrum.band(450, 650)
    assert band.mean_nm == pytest.approx(550)
    assert sum(band.weights) == pytest.approx(1)
    assert len(band.wavelengths_nm) == 5
    assert min(band.wavelengths_nm) > 450


@pytest.mark.parametrize(
    ("wavelengths", "weights"), [((), ()), ((550,), (1, 2)), ((550,), (0,)), ((-1,), (1,)), ((550,), (math.inf,))]
)
def test_refuses_weights_that_do_not_fit(wavelengths, weights):
    with pytest.raises(Refusal, match="give a weight above 0 for each wavelength") as refused:
        Spectrum(wavelengths_nm=wavelengths, weights=weights)
    assert refused.value.key == "focus.wavelengths"
