"""The slanted edge against closed forms, and edges that cannot tell."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import erf

from stacker.errors import Refusal
from stacker.pixels.edge import edge_contrast

SHAPE = (240, 200)
BLUR_PX = 0.8


def greens() -> np.ndarray:
    seen = np.zeros(SHAPE, bool)
    seen[0::2, 1::2] = seen[1::2, 0::2] = True
    return seen


def edge(angle_deg: float = 5.0, *, bend_px: float = 0.0, step: float = 0.5, noise: float = 0.002) -> np.ndarray:
    """A Gaussian-blurred edge, sampled at points: no pixel, no lens."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    y, x = y - SHAPE[0] / 2, x - SHAPE[1] / 2
    angle = np.deg2rad(angle_deg)
    away = x * np.cos(angle) + y * np.sin(angle) + bend_px * np.sin(y / 9)
    clean = 0.2 + step * (1 + erf(away / (BLUR_PX * np.sqrt(2)))) / 2
    return clean + np.random.default_rng(4).normal(0, noise, SHAPE)


@pytest.mark.parametrize("angle_deg", [2.0, 5.0, -7.0, 12.0])
def test_the_contrast_of_a_gaussian_blur_is_a_gaussian(angle_deg):
    found = edge_contrast(edge(angle_deg), greens())
    # Fourier transform of a Gaussian of standard deviation s: exp(-2 (pi s nu)^2)
    truth = np.exp(-2 * (np.pi * BLUR_PX * found.frequency) ** 2)
    telling = found.frequency < 0.4
    assert np.max(np.abs(found.contrast - truth)[telling]) < 0.02
    assert found.slant_deg == pytest.approx(abs(angle_deg), abs=0.1)


def test_an_edge_along_the_rows_is_the_same():
    upright, lying = edge_contrast(edge(), greens()), edge_contrast(edge().T, greens().T)
    assert lying.contrast == pytest.approx(upright.contrast)


def test_a_bright_left_side_is_the_same_as_a_bright_right_one():
    right, left = edge_contrast(edge(), greens()), edge_contrast(0.9 - edge(), greens())
    assert left.contrast == pytest.approx(right.contrast, abs=1e-6)
    assert left.slant_deg == pytest.approx(right.slant_deg, abs=1e-6)


def test_frequencies_go_to_one_cycle_a_pixel_by_the_profile_s_length():
    found = edge_contrast(edge(), greens())
    # 64 pixels to either side, in quarters of one
    assert found.frequency == pytest.approx(np.arange(129) / 128)
    assert found.contrast[0] == 1


def test_rows_that_something_crosses_do_not_turn_the_edge():
    """A hair over a tenth of the rows: they stray from the line and count in no round but the first."""
    crossed = edge()
    crossed[100:124, 70:90] = 0.65
    plain, found = edge_contrast(edge(), greens()), edge_contrast(crossed, greens())
    assert found.slant_deg == pytest.approx(plain.slant_deg, abs=0.03)


def test_other_edges_beside_it_are_not_taken_for_it():
    """A second border 60 px away, in the profile's reach at its end alone."""
    both = edge() + np.where(np.arange(SHAPE[1]) < 25, -0.1, 0.0)
    assert edge_contrast(both, greens()).slant_deg == pytest.approx(5, abs=0.1)


@pytest.mark.parametrize(
    ("step", "noise", "told"),
    [(0.05, 0.003, True), (0.05, 0.03, False), (0.012, 0.0, True), (0.007, 0.0, False)],
)
def test_a_step_of_six_times_the_noise_and_a_hundredth_is_enough(step, noise, told):
    if told:
        assert edge_contrast(edge(step=step, noise=noise), greens()).slant_deg == pytest.approx(5, abs=0.4)
        return
    with pytest.raises(Refusal) as refused:
        edge_contrast(edge(step=step, noise=noise), greens())
    assert refused.value.code == "no_edge"


def test_a_thousandth_of_the_sites_may_be_burnt_out():
    some = edge()
    places = np.random.default_rng(5).choice(some.size, int(0.0007 * some.size), replace=False)
    some.ravel()[places] = 1.0
    assert edge_contrast(some, greens()).slant_deg == pytest.approx(5, abs=0.2)
    some.ravel()[np.random.default_rng(6).choice(some.size, int(0.004 * some.size), replace=False)] = 1.0
    with pytest.raises(Refusal, match="burnt out"):
        edge_contrast(some, greens())


@pytest.mark.parametrize(("rows", "columns"), [(8, 200), (240, 100)])
def test_an_area_that_does_not_meet_all_places_of_the_pixels_is_refused(rows, columns):
    """Too few rows of a slight slant, or fewer columns than the profile is long."""
    middle = slice(120 - rows // 2, 120 + rows // 2), slice(100 - columns // 2, 100 + columns // 2)
    with pytest.raises(Refusal, match="take a larger area") as refused:
        edge_contrast(edge(2.0)[middle], greens()[middle])
    assert refused.value.code == "slant"


@pytest.mark.parametrize(
    ("sites", "code"),
    [
        (edge(step=0.0), "no_edge"),
        (edge(step=0.005, noise=0.02), "no_edge"),
        (edge(0.2), "slant"),
        (edge(30.0), "slant"),
        (edge(bend_px=4.0), "rough_edge"),
        (edge() + 0.35, "saturated"),
    ],
    ids=["flat", "faint", "straight", "steep", "wavy", "burnt_out"],
)
def test_edges_that_cannot_tell_are_refused(sites, code):
    with pytest.raises(Refusal) as refused:
        edge_contrast(np.minimum(sites, 1.0), greens())
    assert refused.value.code == code
