"""Wavelengths and weights."""

from __future__ import annotations

import pytest

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
