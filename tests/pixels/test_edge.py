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
