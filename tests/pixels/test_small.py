"""A picture made small."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.pixels.small import small_bins, small_picture


@pytest.mark.parametrize(
    ("shape", "bins", "small"),
    [((3, 400), 1, (3, 400)), ((801, 400), 3, (267, 133)), ((4000, 6000), 15, (266, 400)), ((5, 7), 1, (5, 7))],
)
def test_it_is_400_pixels_long_at_most_and_what_is_no_whole_square_is_left_out(shape, bins, small):
    assert small_bins(shape) == bins
    assert small_picture(np.zeros(shape, np.uint8)).shape == small


@pytest.mark.parametrize(("kind", "scale"), [(np.uint8, 1), (np.uint16, 257)])
def test_each_pixel_is_the_mean_of_its_square(kind, scale):
    grey = np.zeros((4, 800), kind)
    grey[:2, :2] = np.array([[10, 20], [30, 41]]) * scale
    grey[2:, 2:4] = 255 * scale
    small = small_picture(grey)
    assert small.dtype == np.uint8
    assert small[:2, :2].tolist() == [[25, 0], [0, 255]]  # 25.25 to the nearest
