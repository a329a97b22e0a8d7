"""The defocused OTF against tables, closed forms, quadrature and a Fourier-optics library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from prysm.coordinates import cart_to_polar, make_xy_grid
from prysm.geometry import circle
from prysm.otf import otf_from_psf
from prysm.propagation import Wavefront
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j1, jn_zeros

from stacker.optics.impossible import Impossible
from stacker.optics.otf import (
    FIRST_ZERO_WITHIN_KAPPA,
    defocus_for_share,
    defocused_otf,
    falling_root,
)

TABLE = np.loadtxt(
    Path(__file__).parent / "data" / "defocus_otf.csv", delimiter=",", comments=("#", "W20"), usecols=(0, 1, 2)
)


def _by_quadrature(s, waves):
    """Hopkins's integral as it is usually printed, by QUADPACK."""
    return (
        4
        / np.pi
        * quad(
            lambda x: np.sqrt(max(0.0, 1 - (x + s) ** 2)) * np.cos(8 * np.pi * waves * s * x),
            0,
            1 - s,
            epsabs=1e-14,
            epsrel=1e-14,
            limit=400,
        )[0]
    )


def test_table_of_three_independent_methods():
    # 1-D integral to 30 digits, 2-D autocorrelation and Hopkins's series, see the head of the file; 15 digits printed
    waves, s, expected = TABLE.T
    assert TABLE.shape[0] == 63
    np.testing.assert_allclose(defocused_otf(s, waves), expected, atol=1e-12, rtol=0)


def test_quarter_wave_value_on_which_published_series_often_stumble():
    assert defocused_otf(0.5, 0.25) == pytest.approx(0.287468, abs=5e-7)  # derived, three methods


@pytest.mark.parametrize(
    ("s", "expected"),
    [(0.1, 0.8728885716), (0.3, 0.6238376648), (0.5, 0.3910022190), (0.7, 0.1881204044), (0.9, 0.0373860735)],
)
def test_in_focus_values(s, expected):  # closed form, in every optics text
    assert defocused_otf(s, 0) == pytest.approx(expected, abs=1e-10)
    assert defocused_otf(s, 0) == pytest.approx(2 / np.pi * (np.arccos(s) - s * np.sqrt(1 - s**2)), abs=1e-12)


@pytest.mark.parametrize("waves", [0, 0.25, 1, 5, 20, 60])
@pytest.mark.parametrize("s", [0.003, 0.2, 0.5, 0.81, 0.997])
def test_agrees_with_quadrature(s, waves):
    # 1e-12 as promised; QUADPACK itself reaches 7e-15 here, 1e-13 at 60 waves
    assert defocused_otf(s, waves) == pytest.approx(_by_quadrature(s, waves), abs=1e-12)


@pytest.mark.parametrize(("waves", "strehl"), [(0.1, 0.9675312093), (0.25, 0.8105694691), (0.5, 0.4052847346), (1, 0)])
def test_whole_otf_adds_up_to_the_strehl_ratio(waves, strehl):
    # identity, derived: 8 * integral of OTF s ds is the axial intensity; (sin(pi w)/(pi w))^2
    # by Born & Wolf (from memory)
    total = 8 * quad(lambda s: s * float(defocused_otf(s, waves)), 0, 1, epsabs=1e-11)[0]
    assert total == pytest.approx(np.sinc(waves) ** 2, abs=1e-9)
    assert total == pytest.approx(strehl, abs=1e-9)


@pytest.mark.parametrize("waves", [0, 0.25, 0.5, 1, 2])
def test_fourier_transform_of_a_defocused_image_gives_the_same(waves):
    # prysm: the pupil's wavefront to the image plane by FFT, the image's intensity back by FFT
    wavelength_um, f_mm, diameter_mm, samples = 0.55, 80.0, 10.0, 512
    x, y = make_xy_grid(samples, diameter=diameter_mm)
    r, _ = cart_to_polar(x, y)
    error_nm = waves * wavelength_um * 1e3 * (r / (diameter_mm / 2)) ** 2
    pupil = Wavefront.from_amp_and_phase(
        circle(diameter_mm / 2, r).astype(float), error_nm, wavelength_um, x[0, 1] - x[0, 0]
    )
    transform = otf_from_psf(pupil.focus(f_mm, Q=2).intensity)
    middle = samples  # Q = 2 doubles the grid
    row = transform.data[middle, middle:].real
    s = np.arange(row.size) * transform.dx * wavelength_um * 1e-3 * f_mm / diameter_mm
    # a binary pupil of 512 pixels has a ragged edge: 1.4e-4 at worst, halving as the grid doubles
    np.testing.assert_allclose(row[s < 1], defocused_otf(s[s < 1], waves), atol=2e-4)


def test_nothing_passes_beyond_the_cutoff_and_everything_at_zero():
    np.testing.assert_array_equal(defocused_otf([1.0, 1.5], [0.0, 3.0]), 0.0)
    assert defocused_otf(0, 7) == pytest.approx(1, abs=1e-14)
    assert defocused_otf(-0.3, -0.7) == defocused_otf(0.3, 0.7)


@pytest.mark.parametrize("waves", [250, -250])
def test_absurd_defocus_is_refused(waves):
    with pytest.raises(Impossible, match="the seam would be 250 waves out of focus, where no detail is left"):
        defocused_otf(0.5, [0, waves])


def test_all_defocus_up_to_the_absurd_is_accurate():
    # QUADPACK's own rule for a cosine times a smooth function; it reaches 1e-13 here
    half = quad(lambda x: np.sqrt(1 - (x + 0.5) ** 2), 0, 0.5, weight="cos", wvar=8 * np.pi * 200 * 0.5, epsabs=1e-14)[
        0
    ]
    assert defocused_otf(0.5, 200) == pytest.approx(4 / np.pi * half, abs=1e-12)


@given(s=st.floats(1e-3, 1 - 1e-3), waves=st.floats(0, 30))
def test_defocus_never_adds_contrast(s, waves):
    assert abs(defocused_otf(s, waves)) <= defocused_otf(s, 0) + 1e-12


@pytest.mark.parametrize("share", [0.05, 0.3, 0.67, 0.8, 0.9, 0.99])
@pytest.mark.parametrize("s", [0.004, 0.15, 0.494, 0.8, 0.996])
def test_defocus_for_a_share_agrees_with_quadrature_and_brent(s, share):
    in_focus = _by_quadrature(s, 0)
    to_waves = 1 / (8 * np.pi * s * (1 - s))
    expected = to_waves * brentq(
        lambda kappa: _by_quadrature(s, kappa * to_waves) - share * in_focus, 0, FIRST_ZERO_WITHIN_KAPPA, xtol=1e-14
    )
    # near share 1 contrast is flat in defocus, and the search that this is compared with loses digits
    assert defocus_for_share(s, share) == pytest.approx(expected, rel=1e-11)


def test_first_zero_lies_within_the_bracket():
    kappa = [
        brentq(lambda k, s=s: float(defocused_otf(s, k / (8 * np.pi * s * (1 - s)))), 3, 4.5)
        for s in (0.001, 0.5, 0.999)
    ]
    assert kappa[0] == pytest.approx(jn_zeros(1, 1)[0], abs=0.01)  # geometric limit: 2 J1(kappa)/kappa
    assert max(kappa) < FIRST_ZERO_WITHIN_KAPPA


def test_coarse_detail_sees_a_plain_blur_disk():
    # far below the cut-off the OTF is that of a uniform disk, 2 J1(x)/x with x = 8 pi W s
    x = 8 * np.pi * 6 * 0.002
    assert defocused_otf(0.002, 6) == pytest.approx(2 * j1(x) / x, abs=0.004)  # in focus it is 0.0025 below 1 already


def test_defocus_for_a_share_takes_a_list():
    singly = [float(defocus_for_share(s, 0.8)) for s in (0.2, 0.7)]
    assert defocus_for_share([0.2, 0.7], 0.8) == pytest.approx(singly, rel=1e-14)


@pytest.mark.parametrize(("s", "share"), [(0, 0.8), (1, 0.8), (0.5, 0), (0.5, 1), ([0.5, 0], 0.8), ([0.5, 1], 0.8)])
def test_no_defocus_for_a_share_outside_its_range(s, share):
    with pytest.raises(ValueError, match="needs 0 < s < 1 and 0 < share < 1"):
        defocus_for_share(s, share)


def test_falling_root_returns_an_end_when_there_is_no_crossing():
    assert falling_root(lambda x: 1 - x, 0.0, [0.5, 2.0, 3.0]) == pytest.approx([0.5, 1.0, 1.0])
    assert falling_root(lambda x: -1 - x, 0.0, [0.5, 2.0]).tolist() == [0, 0]
    # flat on one side or the other: nothing to draw a line through
    assert falling_root(np.ones_like, [-1.0, 1.0], 3.0).tolist() == [3, 3]
    assert falling_root(lambda x: -np.ones_like(x), [-1.0, 1.0], 3.0) == pytest.approx([-1, 1])


@pytest.mark.parametrize(
    ("low", "high", "root"), [(0, 3, 1.7), (-9, -4, -5), (1.5, 4, 1.7), (0, 1, 1.7), (2, 3, 1.7), (0, 3, -1)]
)
def test_falling_root_of_a_smooth_function_takes_few_steps(low, high, root):
    asked = []

    def falling(x):
        asked.append(x)
        return -np.expm1(0.7 * (x - root))

    falling_root(falling, low, high)
    # derived: each step multiplies the number of right bits by 3^(1/3), so 52 take 11; the ends, and one that stays
    assert len(asked) <= 14


@given(st.floats(0.2, 6), st.floats(0.1, 30), st.floats(-3, 3), st.floats(0, 2))
def test_falling_root_is_where_scipy_finds_it(power, slope, shift, flat):
    def falling(x):
        return np.maximum(1 - np.exp(shift) * np.abs(x) ** power * slope, -flat - 0.01)

    assume(falling(50.0) < 0)
    expected = brentq(falling, 0, 50, xtol=1e-14, rtol=1e-15)
    # a double's last digits, as steep as the function is there
    assert falling_root(falling, 0.0, 50.0) == pytest.approx(expected, rel=1e-13, abs=1e-13)
