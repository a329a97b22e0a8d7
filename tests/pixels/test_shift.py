"""Two rendered pictures of a moved texture: the shift, its stated error, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.across import Bench
from darkroom.waves import Waves

from stacker.errors import Refusal
from stacker.pixels.shift import coarse, fine_shift
from stacker.pixels.shift import whole_shift as shift_of_coarse

SHAPE = (128, 192)


def whole_shift(one: np.ndarray, other: np.ndarray) -> tuple[int, int]:
    return shift_of_coarse(coarse(one), coarse(other))


def pair(bench: Bench, way_px: float, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return bench.photograph(0.0, rng), bench.photograph(way_px * bench.um_per_px, rng)


@pytest.mark.parametrize("way_px", [0.31, -2.7, 5.5])
def test_a_fine_shift_is_right_to_hundredths_of_a_pixel(way_px):
    one, other = pair(Bench(shape=SHAPE), way_px)
    found = fine_shift(one[:, 20:148].astype(float), other[:, 20:148].astype(float))
    # up to 0.03 px in the rendered pictures of the campaign; the target moves along the rows alone
    assert found.across_px == pytest.approx(way_px, abs=0.04)
    assert found.down_px == pytest.approx(0, abs=0.03)
    assert found.alike > 0.9


@pytest.mark.parametrize("way_px", [40, -75, 0])
def test_a_whole_shift_is_found_anywhere(way_px):
    one, other = pair(Bench(shape=SHAPE), way_px)
    assert whole_shift(one, other) == (0, way_px)


def test_a_large_picture_is_looked_at_in_fewer_pixels():
    rng = np.random.default_rng(8)
    scene = np.kron(rng.normal(size=(260, 400)), np.ones((4, 4))) * 20 + 128
    one, other = scene[:800, :1400], scene[16:816, 120:1520]
    down, across = whole_shift(one, other)
    assert abs(down + 16) <= 3
    assert abs(across + 120) <= 3


def test_pictures_that_share_nothing_have_no_shift():
    one, _ = pair(Bench(shape=SHAPE), 0)
    other, _ = pair(Bench(shape=SHAPE, seed=2), 0)
    with pytest.raises(Refusal) as refusal:
        whole_shift(one, other)
    assert refusal.value.code == "no_shift"


def test_a_pattern_that_repeats_itself_has_no_shift_that_stands_out():
    y, x = np.mgrid[:128, :192]
    rng = np.random.default_rng(3)
    pattern = 128 + 40 * np.sign(np.sin(2 * np.pi * x / 12) * np.sin(2 * np.pi * y / 12))
    with pytest.raises(Refusal) as refusal:
        whole_shift(pattern + rng.normal(0, 2, x.shape), np.roll(pattern, 5, axis=1) + rng.normal(0, 2, x.shape))
    assert refusal.value.code == "no_shift"


def test_light_that_stands_still_is_no_shift():
    """Shading of a lamp lies at the same place in every picture, however far the target went."""
    one, other = pair(Bench(shape=SHAPE, contrast=0.4), 30)
    shade = 1 - 0.6 * np.hypot(*np.meshgrid(np.linspace(-1, 1, 192), np.linspace(-1, 1, 128))) / 1.5
    assert whole_shift(one * shade, other * shade) == (0, 30)


# ------------------------------------------------------------------- waves, known between the pixels; no lens, no JPEG


def beside(waves: Waves, shift: tuple[float, float], size: int = 96) -> tuple[np.ndarray, np.ndarray]:
    return 100 + 10 * waves.picture((size, size)), 100 + 10 * waves.picture((size, size), shift)


@pytest.mark.parametrize("shift", [(1.3, -0.7), (-2.4, 3.1), (0.0, 0.45), (4.5, 0.25)])
def test_both_ways_at_once_and_what_is_fine_goes_along(shift):
    found = fine_shift(*beside(Waves(finest=0.5, count=3000), shift))
    # what a window of 96 px sees of one picture alone is 5 % at 4.5 px: that, not noise, is what is left
    assert (found.down_px, found.across_px) == pytest.approx(shift, abs=0.02)
    assert found.alike > 0.9
    # all frequencies are as strong, fine ones too; unless the shift is taken out of them they sum to nothing
    assert 0.8 < found.fine < 1.2


def test_of_what_is_fine_nothing_is_shared_where_there_is_none():
    assert abs(fine_shift(*beside(Waves(finest=0.28), (0.6, 0.3))).fine) < 0.02


def test_a_reversed_contrast_of_some_frequencies_is_no_shift():
    """Far out of focus a lens turns the contrast of a ring of frequencies: half a turn of phase, not half a wave."""
    keeps, turns = Waves(finest=0.16), Waves(seed=2, coarsest=0.2, finest=0.28)
    one = 100 + 10 * keeps.picture((96, 96)) + 5 * turns.picture((96, 96))
    other = 100 + 10 * keeps.picture((96, 96), (0.4, -1.2)) - 5 * turns.picture((96, 96), (0.4, -1.2))
    found = fine_shift(one, other)
    assert (found.down_px, found.across_px) == pytest.approx((0.4, -1.2), abs=0.03)


@pytest.mark.parametrize(("noise", "both"), [(0.4, True), (0.6, False), (0.9, True)])
def test_likeness_is_the_share_of_the_power_that_both_have(noise, both):
    rng = np.random.default_rng(31)
    found = []
    for seed in range(12):
        one, other = beside(Waves(seed=seed, count=2000, finest=0.5), (0.3, -0.4), size=64)
        one = one + 10 * noise * both * rng.normal(size=one.shape)
        found.append(fine_shift(one, other + 10 * noise * rng.normal(size=other.shape)).alike)
    # white on white: the signal's share of the power, by the geometric mean of both pictures
    power = 4 / np.pi  # of the waves, whose disc of radius 0.5 is that part of the square that noise fills
    share = power / (power + noise**2) if both else np.sqrt(power / (power + noise**2))
    assert np.mean(found) == pytest.approx(share, abs=0.05)


@pytest.mark.parametrize("which", [0, 1])
def test_beside_a_piece_that_shows_nothing_there_is_no_shift(which):
    pieces = list(beside(Waves(), (0.0, 0.0)))
    pieces[which] = np.full_like(pieces[0], 90.0)
    found = fine_shift(*pieces)
    assert (found.down_px, found.across_px, found.alike, found.fine) == (0, 0, 0, 0)


@pytest.mark.parametrize("shift", [(0, 0), (31, 12), (-40, 77), (5, -98)])
def test_a_whole_shift_both_ways_in_a_picture_of_odd_size(shift):
    waves = Waves(finest=0.3, count=3000)
    assert whole_shift(waves.picture((131, 207)), waves.picture((131, 207), shift)) == shift


def test_whole_shifts_are_looked_for_in_means_of_squares_with_soft_borders():
    rng = np.random.default_rng(4)
    picture = rng.uniform(0, 255, (603, 1100))
    found = coarse(picture)
    assert (found.step, found.shape) == (3, (201, 366))
    small = np.array([[picture[3 * i : 3 * i + 3, 3 * j : 3 * j + 3].mean() for j in range(366)] for i in range(201)])
    small -= small.mean()
    for i in range(201):  # rising over a tenth at each border, from the middle of the outermost pixel
        small[i] *= min(1, (i + 0.5) / 20.1, (200.5 - i) / 20.1)
    for j in range(366):
        small[:, j] *= min(1, (j + 0.5) / 36.6, (365.5 - j) / 36.6)
    padded = np.zeros((402, 732))
    padded[:201, :366] = small
    np.testing.assert_allclose(found.spectrum, np.fft.fft2(padded)[:, :367], atol=1e-6)
    assert coarse(picture[:512, :512]).step == 1
    assert coarse(picture[:512, :513]).step == 2
