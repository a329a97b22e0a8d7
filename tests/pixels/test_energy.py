"""Energy of fine contrast against its definition, gratings of known contrast, and what must not count."""

from __future__ import annotations

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.pixels.energy import BANDS, CELL_PX, FREQUENCIES, LAGS, directional_energy, energy


def by_definition(grey: np.ndarray, band: int) -> np.ndarray:
    """Cell by cell with the whole picture at once and mirrored rims: slow and plain."""
    bins = 2**band
    rows, columns = (n // CELL_PX * CELL_PX // bins for n in grey.shape)
    small = grey[: rows * bins, : columns * bins].reshape(rows, bins, columns, bins).mean(axis=(1, 3))
    wide = np.pad(small, 2, mode="reflect")
    inner = wide[2:-2, 2:-2]
    total = np.zeros((len(LAGS), rows, columns))
    for place, (down, across) in enumerate(LAGS):
        total[place] = (np.roll(wide, (-down, -across), (0, 1)) + np.roll(wide, (down, across), (0, 1)))[
            2:-2, 2:-2
        ] - 2 * inner
    size = CELL_PX // bins
    return (total**2).reshape(len(LAGS), rows // size, size, columns // size, size).mean(axis=(2, 4))


@settings(max_examples=examples(40), deadline=None)
@given(rows=st.integers(16, 120), columns=st.integers(16, 100), seed=st.integers(0, 2**16))
def test_strips_give_what_the_whole_picture_gives(rows, columns, seed):
    grey = np.random.default_rng(seed).uniform(0, 255, (rows, columns))
    found = directional_energy(grey)
    assert found.dtype == np.float32
    for band in range(BANDS):
        np.testing.assert_allclose(found[band], by_definition(grey, band), rtol=2e-5)  # single precision
    np.testing.assert_allclose(energy(grey), found.mean(axis=1), rtol=1e-6)


@pytest.mark.parametrize("band", range(BANDS))
def test_a_grating_is_told_mostly_in_its_own_band(band):
    """Derived: a wave of amplitude a that lies along a lag, at half a turn a lag, gives (4 a)^2 / 2 there."""
    down, across = np.array(LAGS[1]) / np.hypot(*LAGS[1])
    y, x = np.mgrid[:512, :512]
    wave = np.cos(2 * np.pi * FREQUENCIES[band] * (down * y + across * x) + 0.4)
    found = directional_energy(wave)[:, :, 1:-1, 1:-1].mean(axis=(2, 3))
    # binning by two and by four keeps this much of the wave (mean of a cosine over the bin's pixels)
    phases = 2 * np.pi * FREQUENCIES[band] * np.array([down, across])
    kept = np.prod([abs(np.mean(np.exp(1j * phase * np.arange(2**band)))) for phase in phases])
    assert found[band, 1] == pytest.approx(8 * kept**2, rel=0.02)  # cells hold no whole number of waves
    assert np.argmax(found[:, 1]) == band


def test_level_and_slope_have_no_energy():
    y, x = np.mgrid[:64, :96]
    assert np.abs(energy(200 + 3.0 * y - 2.0 * x)[:, 1:-1, 1:-1]).max() < 1e-5


def test_noise_counts_by_its_variance_alone():
    """Derived: 1 + 1 + 4 times the variance, less by four for each halving of the scale."""
    noise = np.random.default_rng(5).normal(0, 3, (768, 768))
    # 48 x 48 cells: 1 % in the finest band, twice that for each coarser one; four standard errors
    np.testing.assert_allclose(energy(noise).mean(axis=(1, 2)), 54 / 4.0 ** np.arange(3), rtol=0.06)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
def test_whatever_the_file_holds(kind):
    grey = np.random.default_rng(6).integers(0, 255, (48, 64))
    np.testing.assert_allclose(energy(grey.astype(kind)), energy(grey.astype(float)), rtol=1e-6)


@pytest.mark.parametrize("shape", [(0, 0), (15, 400), (400, 15)])
def test_a_picture_smaller_than_a_cell_has_none(shape):
    assert energy(np.ones(shape, np.uint8)).size == 0
