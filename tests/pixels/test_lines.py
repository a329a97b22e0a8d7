"""Rows of lines followed through made-up cells, whose line coordinate is known at every one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from stacker.pixels.comb import Cells
from stacker.pixels.lines import PRIOR_DISTORTION, PRIOR_LEAN, Lines, follow, multiple

PERIOD = 40.0
X = (np.arange(36) - 17.5) * PERIOD
Y = (np.arange(24) - 11.5) * 12.0
HALF = 36 * PERIOD / 2  # of the picture, in the cells' reach


def coordinate(*, slant=0.0, stretch=0.0, barrel=0.0, lean=0.0, along=0.0, offset=0.3, x=X, y=Y):
    """Lines counted along x; slant in lines a line down, the rest as shares over half of the picture."""
    x, y = np.meshgrid(x, y)
    plane = ((1 + stretch) * x + slant * y) / PERIOD
    return offset + plane * (1 + barrel * (x**2 + y**2) / HALF**2 + lean * x / HALF + along * y / HALF)


def cells(line, *, every=1, x=X, y=Y, loud=None, profile=None, noise=0.0, period=PERIOD, seed=2):
    rng = np.random.default_rng(seed)
    loud = np.ones(line.shape) if loud is None else loud
    wave = 10 * loud * np.exp(2j * np.pi * (line + noise * rng.normal(size=line.shape)))
    if profile is None:
        profile = np.zeros((*line.shape, 8), np.float32)
    return Cells(wave=wave, profile=profile, x=x, y=y, period_px=period, every=every)


def followed(line, **rest) -> Lines:
    found = follow(cells(line, **rest))
    assert found is not None
    return found


@pytest.mark.parametrize(
    "shape",
    [
        {},
        {"slant": 0.08},
        {"slant": -0.12, "stretch": 0.02},
        {"stretch": -0.03},
        {"barrel": 0.006},
        {"lean": -0.006},
        {"slant": 0.1, "stretch": 0.01, "barrel": -0.004, "lean": 0.004, "along": 0.003},
    ],
)
def test_gradient_distortion_and_lean_are_those_of_the_lines(shape):
    found = followed(coordinate(**shape))
    gradient = np.array([1 + shape.get("stretch", 0), shape.get("slant", 0)]) / PERIOD
    # what is known of lenses and people pulls distortion and lean to 0 a little: the rest is exact
    assert found.gradient == pytest.approx(gradient, abs=1e-5 / PERIOD)
    assert found.distortion * HALF**2 == pytest.approx(shape.get("barrel", 0), abs=2e-5)
    assert found.lean * HALF == pytest.approx(shape.get("lean", 0), abs=2e-5)
    assert np.abs(found.residual[found.valid]).max() < 1e-4
    assert found.valid.mean() > 0.75  # strips that the ruler leaves askew are no rows along it
    assert not found.alternating
    # along the ruler and along its lines: a turn of the pixels
    x, y = np.meshgrid(X, Y)
    turn = np.arctan2(gradient[1], gradient[0])
    np.testing.assert_allclose(found.along, x * np.cos(turn) + y * np.sin(turn), atol=0.05)
    np.testing.assert_allclose(found.across, y * np.cos(turn) - x * np.sin(turn), atol=0.05)
    np.testing.assert_allclose(found.x, x)
    np.testing.assert_allclose(found.y, Y)
    assert found.priors == pytest.approx((PRIOR_LEAN / HALF, PRIOR_DISTORTION / HALF**2))
    steps = np.unique(np.rint(found.model[found.valid]))
    assert found.count == len(steps) == np.ptp(steps) + 1


def test_the_lines_of_a_quick_look_are_the_same():
    x = X[::3]
    found = followed(coordinate(slant=0.05, lean=0.003, x=x), every=3, x=x)
    assert found.gradient == pytest.approx(np.array([1, 0.05]) / PERIOD, abs=2e-5 / PERIOD)


@pytest.mark.parametrize("off", [0.12, -0.1])
def test_what_goes_beside_the_frequency_by_much_is_not_followed(off):
    """A tenth of a line a window: that is another frequency, which is looked at by itself."""
    found = follow(cells(coordinate(stretch=off)))
    assert found is None or abs(found.gradient[0] * PERIOD - 1 - off) > 0.05


def test_lines_that_lie_by_more_than_eleven_degrees_are_not_followed():
    assert followed(coordinate(slant=0.17)).gradient[1] * PERIOD == pytest.approx(0.17, abs=1e-3)
    found = follow(cells(coordinate(slant=0.3)))
    assert found is None or abs(found.gradient[1] * PERIOD) < 0.25


def test_only_rows_with_a_line_in_three_of_four_windows_hold_the_ruler():
    rng = np.random.default_rng(4)
    loud = np.full((24, 36), 0.02)
    loud[5:15] = 1.0  # the ruler; above and below the bench, with phases of its own
    line = np.where(loud > 0.5, coordinate(), rng.uniform(0, 1, loud.shape))
    loud[7, rng.choice(36, 6, replace=False)] = 0.02  # digits
    found = followed(line, loud=loud)
    rows = np.flatnonzero(found.valid.any(axis=1))
    # at either end one strip is left out, which the ruler's edge crosses, and one more that the least slant reaches
    assert (rows[0], rows[-1]) == (7, 12)
    assert not found.valid[7, loud[7] < 0.5].any()
    sparse = loud.copy()
    sparse[5:15, ::3] = 0.02  # one line of three is missing everywhere
    assert follow(cells(line, loud=sparse)) is None


def test_a_slanted_ruler_is_followed_along_its_own_rows():
    """Lines 20 strips long that rise by 6 strips over the picture: in no strip do they fill three quarters."""
    slant = 0.1
    x, y = np.meshgrid(X, Y)
    above = y - slant * x  # along the lines
    rng = np.random.default_rng(5)
    on = np.abs(above) < 60
    line = np.where(on, coordinate(slant=slant), rng.uniform(0, 1, on.shape))
    found = followed(line, loud=np.where(on, 1.0, 0.02))
    assert found.gradient == pytest.approx(np.array([1, slant]) / PERIOD, abs=1e-4 / PERIOD)
    assert found.valid.sum() > 0.5 * on.sum()
    assert not (found.valid & ~on).any()
    # a cell that the end of a line crosses has its middle elsewhere: by slant and window, one strip more at each end
    assert np.abs(above[found.valid]).max() < 60 - 12


def test_the_ends_of_slanted_lines_are_left_out_by_how_far_a_window_rises():
    """In thin strips: 0.17 of 40 px are 6.8 px, which begin in a third strip of 3 px, and one strip more."""
    y = (np.arange(80) - 39.5) * 3.0
    x, down = np.meshgrid(X[:20], y)
    above = np.rint((down - 0.17 * x) / 3)
    on = np.abs(above) <= 15
    rng = np.random.default_rng(15)
    line = np.where(on, coordinate(slant=0.17, x=X[:20], y=y), rng.uniform(0, 1, on.shape))
    found = followed(line, loud=np.where(on, 1.0, 0.02), x=X[:20], y=y)
    rows = above[found.valid]
    assert (rows.min(), rows.max()) == pytest.approx((-15 + 4, 15 - 4), abs=1.1)  # rows are counted from an end


@pytest.mark.parametrize("noise", [0.02, 0.1])
def test_what_the_lines_cannot_tell_is_taken_from_what_lenses_and_people_do(noise):
    """The most likely lines, distortion and lean being as often as large as is known: by a general solver."""
    line = coordinate(barrel=0.005, lean=0.006, y=Y[:6])
    rng = np.random.default_rng(16)
    line = line + noise * np.clip(rng.normal(size=line.shape), -1.2, 1.2)
    found = followed(line, y=Y[:6])
    x, y = (one[found.valid] / HALF for one in np.meshgrid(X, Y[:6]))
    measured = (found.model + found.residual)[found.valid]

    def off(fit):
        plane = fit[1] * x + fit[2] * y
        return fit[0] + plane * (1 + fit[3] * (x**2 + y**2) + fit[4] * x + fit[5] * y) - measured

    sigma = np.sqrt(np.mean(found.residual[found.valid] ** 2))

    def all_off(fit):
        known = [fit[3] / PRIOR_DISTORTION, fit[4] / PRIOR_LEAN, fit[5] / PRIOR_LEAN]
        return np.concatenate([off(fit) / sigma, known])

    likeliest = least_squares(all_off, [0, HALF / PERIOD, 0, 0, 0, 0], x_scale="jac", xtol=1e-14, ftol=1e-14).x
    assert found.distortion * HALF**2 == pytest.approx(likeliest[3], abs=1e-4)
    assert found.lean * HALF == pytest.approx(likeliest[4], abs=1e-4)
    assert found.gradient[0] * HALF == pytest.approx(likeliest[1], rel=1e-4)
    assert found.gradient[1] * HALF == pytest.approx(likeliest[2], abs=3e-3)


def test_too_few_strips_or_chance_are_no_ruler():
    rng = np.random.default_rng(6)
    assert follow(cells(rng.uniform(0, 1, (24, 36)))) is None
    two = np.full((24, 36), 0.02)
    two[10:12] = 1.0
    assert follow(cells(np.where(two > 0.5, coordinate(), rng.uniform(0, 1, two.shape)), loud=two)) is None


def test_lines_that_scatter_are_followed_and_their_scatter_told():
    found = followed(coordinate(slant=0.05, barrel=0.004), noise=0.02)
    assert np.std(found.residual[found.valid]) == pytest.approx(0.02, rel=0.1)
    assert found.gradient == pytest.approx(np.array([1, 0.05]) / PERIOD, rel=2e-3, abs=2e-5)


def test_cells_that_lie_far_from_the_line_are_left_out():
    line = coordinate()
    line[8:12, 20] += 0.3  # a scratch
    found = followed(line)
    assert not found.valid[8:12, 20].any()
    assert found.valid[13, 20]
    assert found.gradient[0] == pytest.approx(1 / PERIOD, abs=1e-5 / PERIOD)


def test_half_units_are_the_lines_that_only_some_rows_hold_in_turn():
    loud = np.ones((24, 36))
    line = coordinate(offset=0.5)  # a line in the middle of each window
    number = np.rint(line).astype(int)
    loud[14:] = np.where(number[14:] % 2 == 0, 1.0, 0.02)
    rng = np.random.default_rng(7)
    assert followed(np.where(loud > 0.5, line, rng.uniform(0, 1, line.shape)), loud=loud).alternating
    odd = np.ones((24, 36))
    odd[14:] = np.where(number[14:] % 2 == 1, 1.0, 0.02)
    assert followed(np.where(odd > 0.5, line, rng.uniform(0, 1, line.shape)), loud=odd).alternating
    fifth = np.ones((24, 36))
    fifth[14:] = np.where(number[14:] % 5 == 0, 1.0, 0.02)
    assert not followed(np.where(fifth > 0.5, line, rng.uniform(0, 1, line.shape)), loud=fifth).alternating
    two = np.ones((24, 36))
    two[22:] = np.where(number[22:] % 2 == 0, 1.0, 0.02)  # two strips are chance
    assert not followed(np.where(two > 0.5, line, rng.uniform(0, 1, line.shape)), loud=two).alternating


@pytest.mark.parametrize("times", [1, 2, 3, 5, 6])
def test_a_harmonic_is_told_by_which_neighbour_a_window_is_like(times):
    shapes = np.random.default_rng(8).normal(size=(times, 8))
    profile = np.broadcast_to(shapes[np.arange(36) % times], (24, 36, 8)).astype(np.float32)
    seen = cells(coordinate(), profile=profile + 0.1 * np.random.default_rng(9).normal(size=(24, 36, 8)).astype("f4"))
    assert multiple(follow(seen), seen) == times


def test_every_fifth_line_may_be_half_as_thick_again():
    profile = np.broadcast_to(np.where(np.arange(36) % 5 == 0, 1.5, 1.0)[:, None], (24, 36, 8)).astype(np.float32)
    seen = cells(coordinate(), profile=profile)
    assert multiple(follow(seen), seen) == 1
