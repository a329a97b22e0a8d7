"""Shifts of patches: textures laid anywhere exactly, noise of known size, and detail along one way alone."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.waves import Waves

from stacker.pixels.patches import PATCH, _summed, detail, patch_shifts

SHAPE = (102, 151)  # no whole number of patches either way
WAVES = Waves(coarsest=0.02, finest=0.06, count=300)


def pictures(shift, waves=WAVES, noise=0.0, seed=1):
    rng = np.random.default_rng(seed)
    return [
        (0.05 * waves.picture(SHAPE, one) + noise * rng.normal(size=SHAPE)).astype(np.float32)
        for one in ((0.0, 0.0), shift)
    ]


@pytest.mark.parametrize("shift", [(0.6, -0.4), (0.0, 0.0), (-1.5, 2.0), (3.0, -4.0)])
def test_every_patch_of_a_picture_that_shifts_is_told_so(shift):
    found = patch_shifts(*pictures(shift))
    assert found.shift.shape == (2, 6, 9)
    assert found.error.shape == (6, 9)
    inner = found.shift[:, 1:-1, 1:-1]  # at the rim it comes from outside of the other picture
    # slopes are straight and waves are not: some hundredths of the way
    for found_px, true_px in zip(inner, shift, strict=True):
        assert np.abs(found_px - true_px).max() < 0.04 + 0.06 * abs(true_px)


def test_where_the_picture_is_stretched_each_patch_has_its_own_shift():
    y, x = np.indices(SHAPE, dtype=float)
    one, _ = pictures((0, 0))
    other = (0.05 * WAVES.at(y * (1 - 0.02), x * (1 + 0.01))).astype(np.float32)
    found = patch_shifts(one, other).shift
    # what lies at (Y, X) lies at (Y / 0.98, X / 1.01) in the other, to first order 0.02 Y and -0.01 X farther
    middle_y, middle_x = (np.arange(6) + 0.5) * PATCH - 0.5, (np.arange(9) + 0.5) * PATCH - 0.5
    down, across = np.broadcast_to(middle_y[:, None] / 0.98 * 0.02, (6, 9)), middle_x / 1.01 * -0.01 + np.zeros((6, 9))
    # within a patch it differs by 0.6 px from end to end, and where its detail lies decides
    assert found[0, 1:-1, 1:-1] == pytest.approx(down[1:-1, 1:-1], abs=0.2)
    assert found[1, 1:-1, 1:-1] == pytest.approx(across[1:-1, 1:-1], abs=0.2)


def test_the_stated_error_is_that_of_noise():
    """Noise as `detail` leaves it, smoothed to a pixel's width."""
    off, stated = [], []
    for seed in range(25):
        one, other = (
            1000 * picture + 3000 for picture in pictures((0.3, -0.2), Waves(seed=seed, finest=0.11), 0.004, seed)
        )
        found = patch_shifts(*(detail(np.clip(picture / 25, 1, 255).astype(np.uint8)) for picture in (one, other)))
        off += [*(found.shift[0] - 0.3)[1:-1, 1:-1].ravel(), *(found.shift[1] + 0.2)[1:-1, 1:-1].ravel()]
        stated += [*found.error[1:-1, 1:-1].ravel()] * 2
    # of the less certain way, so it is an upper bound for the other: by hand, between half and all of it
    assert 0.4 < np.std(off) / np.sqrt(np.mean(np.square(stated))) < 1.1


@pytest.mark.parametrize("way_deg", [0, 45, 90, 135])
def test_detail_along_one_way_alone_leaves_a_patch_untold(way_deg):
    """Hairs side by side: along them nobody sees a shift."""
    waves = Waves(finest=0.11, count=40, way_rad=np.deg2rad(way_deg))
    found = patch_shifts(*pictures((0.3, 0.1), waves))
    assert found.error.min() > 0.3  # such a patch counts as untold
    assert np.isfinite(found.shift).all()


def test_what_has_no_detail_is_surely_untold():
    flat = np.zeros(SHAPE, np.float32)
    found = patch_shifts(flat, flat)
    assert (found.shift == 0).all()
    # levels of an eighth of a percent are no better known than to themselves: not nought, however alike both are
    assert found.error.min() > 1


def test_each_patch_is_weighed_twice_as_wide_as_it_lies_apart():
    """Half a patch before it and half a patch behind it count half; beyond the rim lies what lies at the rim."""
    product = np.random.default_rng(6).normal(size=SHAPE)
    found = _summed(product, PATCH)
    assert found.shape == (6, 9)
    for row, column in np.ndindex(6, 9):
        total = weights = 0.0
        for down, half_down in enumerate((1, 2, 2, 1)):
            for across, half_across in enumerate((1, 2, 2, 1)):
                y = min(max(row * 16 - 8 + 8 * down, 0), 88)
                x = min(max(column * 16 - 8 + 8 * across, 0), 136)
                total += half_down * half_across * product[y : y + 8, x : x + 8].mean()
                weights += half_down * half_across
        assert found[row, column] == pytest.approx(total / weights, abs=1e-12)


def test_detail_is_the_same_at_another_exposure_and_in_slow_light():
    grey = np.clip(120 + 40 * WAVES.picture(SHAPE), 20, 235)
    shade = np.linspace(0.6, 1.0, SHAPE[1])
    plain, dim = (detail(np.rint(one).astype(np.uint8)) for one in (grey, grey * 0.5))
    assert np.std(plain - dim) < 0.06 * np.std(plain)  # black is 4 levels up, and light has 255 levels
    shaded = detail(np.rint(grey * shade).astype(np.uint8))
    assert np.std((plain - shaded)[:, 12:-12]) < 0.06 * np.std(plain)
