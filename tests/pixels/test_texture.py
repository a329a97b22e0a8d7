"""Contrast that frames of one target share: grain blurred by known bells, and noise of which each frame has its own."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.waves import Waves

from stacker.pixels.texture import pairs_of, shared_contrast

SIZE = 128
FREQUENCIES = np.array([0.2, 0.1])


def test_pairs_are_those_one_two_and_three_frames_on():
    assert pairs_of(5).tolist() == [[0, 1], [1, 2], [2, 3], [3, 4], [0, 2], [1, 3], [2, 4], [0, 3], [1, 4]]
    assert pairs_of(2).tolist() == [[0, 1]]


def tiles(kept, shifts, noise=0.0, level=(100.0, 100.0, 100.0)):
    """A few frames of waves of two frequencies alone, each kept by a factor, in frames that lie apart."""
    rng = np.random.default_rng(21)
    rings = [Waves(seed=k, count=250, coarsest=f * 0.95, finest=f * 1.05) for k, f in enumerate(FREQUENCIES)]
    made = []
    for factors, shift, light in zip(kept, shifts, level, strict=True):
        scene = sum(k * ring.picture((SIZE, SIZE), shift) for k, ring in zip(factors, rings, strict=True))
        made.append(light * (1 + 0.1 * scene + noise * rng.normal(size=(SIZE, SIZE))))
    return np.stack(made)


PAIRS = np.array([[0, 1], [1, 2], [0, 2], [0, 0]])


def test_products_are_those_of_the_contrasts_wherever_the_frames_lie_and_however_bright():
    kept = np.array([[1.0, 1.0], [0.5, 0.8], [0.25, 0.6]])
    products, own = shared_contrast(
        tiles(kept, [(0, 0), (0.7, -1.2), (-0.4, 2.1)], level=(100, 60, 180)), PAIRS, FREQUENCIES
    )
    of_one = products[:, 3]  # a frame with itself: the target's power
    for place, (one, other) in enumerate(PAIRS):
        # of a window of 128 px two pixels are not in both: a few hundredths
        assert products[:, place] / of_one == pytest.approx(kept[one] * kept[other], abs=0.04)
    assert own / of_one[:, None] == pytest.approx(kept.T**2, abs=0.02)


def test_a_reversed_contrast_makes_its_products_negative():
    products, _ = shared_contrast(
        tiles([[1.0, 1.0], [-0.4, 0.9], [1.0, 1.0]], [(0, 0), (0.3, 0.2), (0, 0)]), PAIRS, FREQUENCIES
    )
    assert products[0, 0] / products[0, 3] == pytest.approx(-0.4, abs=0.03)
    assert products[1, 0] / products[1, 3] == pytest.approx(0.9, abs=0.03)


def test_noise_is_in_a_frames_own_power_and_in_no_product():
    products, own = shared_contrast(tiles(np.zeros((3, 2)), [(0, 0)] * 3, noise=0.03), PAIRS, FREQUENCIES)
    # by Parseval: white noise of variance s^2 under the window has s^2 times the sum of the window's squares everywhere
    window = np.hanning(SIZE + 2)[1:-1]
    added = 0.03**2 * np.sum(window**2) ** 2
    # a ring of 0.1 holds some hundred frequencies that tell of one another, each with a standard deviation of its mean
    assert own == pytest.approx(np.full((2, 3), added), rel=0.35)
    assert np.abs(products[:, :3]).max() < 0.35 * added


def test_the_power_of_a_ring_is_told_by_parseval():
    """All the waves of a ring lie in it; what the window spreads beyond is a few hundredths."""
    _, own = shared_contrast(tiles([[1.0, 0.0]] * 3, [(0, 0)] * 3), PAIRS, FREQUENCIES)
    nu = np.fft.fftfreq(SIZE)
    ring = np.abs(np.hypot(nu[:, None], nu) / 0.2 - 1) < 0.12
    window = np.hanning(SIZE + 2)[1:-1]
    total = 0.1**2 * np.sum(window**2) ** 2 * SIZE**2  # variance times window's squares, summed over all frequencies
    assert own[0, 0] * np.count_nonzero(ring) == pytest.approx(total, rel=0.12)
