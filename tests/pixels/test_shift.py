"""Two rendered pictures of a moved texture: the shift, its stated error, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.across import Bench
from darkroom.camera import Body

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
    assert 0.001 < found.error_px < 0.02
    assert found.alike > 0.9


def test_the_stated_error_grows_with_the_noise():
    errors = []
    for body in (Body(), Body(full_well_e=400, quality=70)):
        one, other = pair(Bench(shape=SHAPE, contrast=0.4, body=body), 0.4)
        errors.append(fine_shift(one[:, :128].astype(float), other[:, :128].astype(float)).error_px)
    assert errors[1] > 2 * errors[0]


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
