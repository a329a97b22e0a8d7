import numpy as np
import pytest

from stacker.pixels.light import field_px, light_of_fields


def test_light_is_linear():
    """In sRGB (IEC 61966-2-1) half the light is code 188, and a grey of 18 % is 118 (both from memory)."""
    grey = np.full((64, 64), 188, np.uint8)
    assert light_of_fields(grey) == pytest.approx(0.5, abs=0.005)
    assert light_of_fields(np.full((64, 64), 118, np.uint8)) == pytest.approx(0.18, abs=0.003)


@pytest.mark.parametrize(("code", "light"), [(0, 0), (5, 5 / 255 / 12.92), (10, 10 / 255 / 12.92), (11, 0.0033465)])
def test_near_black_the_curve_is_a_line(code, light):
    """Up to 0.04045 of the scale (IEC 61966-2-1, from memory); 11 by hand: ((11/255 + 0.055)/1.055)^2.4."""
    assert light_of_fields(np.full((16, 16), code, np.uint8)) == pytest.approx(light, rel=1e-4)


def test_a_field_is_the_mean_of_its_light_not_of_its_code():
    grey = np.zeros((16, 16), np.uint8)
    grey[:8] = 188
    assert light_of_fields(grey)[0, 0] == pytest.approx(0.25, abs=0.003)


def test_sixteen_bits_tell_the_same():
    grey = np.random.default_rng(1).integers(0, 200, (48, 80), dtype=np.uint8)
    assert light_of_fields(grey.astype(np.uint16) * 257) == pytest.approx(light_of_fields(grey), rel=1e-5)


def test_a_field_with_some_clipped_pixels_is_none():
    grey = np.full((32, 32), 100, np.uint8)
    grey[0, :5] = 255  # of 256: a fiftieth is 5.1
    assert np.isfinite(light_of_fields(grey)).all()
    grey[1, 0] = 255
    assert np.isinf(light_of_fields(grey)).tolist() == [[True, False], [False, False]]


@pytest.mark.parametrize(("shape", "side", "fields"), [((4000, 6000), 64, (62, 93)), ((480, 640), 16, (30, 40))])
def test_fields_are_about_a_hundred_across(shape, side, fields):
    assert field_px(*shape) == side
    assert light_of_fields(np.zeros(shape, np.uint8)).shape == fields
