"""Stated errors of a ruler against the same by loops and stacked least squares, and against noise drawn many times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pixels.test_lines import PERIOD, coordinate, followed

from stacker.pixels.ruler import BANDS, _by_line, _fitted, _slope
from stacker.pixels.ruler_errors import error_of_rows, rotation_error, slope_error


@pytest.fixture(scope="module")
def lines():
    found = followed(coordinate(slant=0.07, barrel=0.003, lean=0.002))
    residual = 0.01 * np.random.default_rng(12).normal(size=found.residual.shape)
    return replace(found, residual=residual)


def test_the_slope_of_a_cubic_is_as_uncertain_as_its_scatter_and_what_is_known_leave_it(lines):
    rng = np.random.default_rng(13)
    along = np.sort(rng.uniform(-700, 700, 30))
    residual = 0.02 * rng.normal(size=30) + 0.1 * (along / 700) ** 3
    error, freedom, scatter = slope_error(along, residual, lines)
    # stacked least squares in its own units: lines of the data over their scatter, lines of what is known over theirs
    t = along / 500
    columns = np.stack([np.ones(30), t, t**2, t**3], axis=1)
    rest = residual - columns @ np.linalg.solve(columns.T @ columns, columns.T @ residual)
    assert freedom == 26
    assert scatter == pytest.approx(np.sqrt(np.sum(rest**2) / 26), rel=1e-9)
    k = np.hypot(*lines.gradient)
    known = np.array([k * lines.priors[0] * 500**2, k * lines.priors[1] * 500**3])
    stacked = np.vstack([columns / scatter, np.array([[0, 0, 1 / known[0], 0], [0, 0, 0, 1 / known[1]]])])
    r = np.linalg.qr(stacked, mode="r")
    assert error == pytest.approx(np.linalg.norm(np.linalg.inv(r)[1]) / 500, rel=1e-6)


def test_lines_without_scatter_are_still_a_millionth_uncertain(lines):
    along = np.linspace(-700, 700, 30)
    error, _, scatter = slope_error(along, np.zeros(30), lines)
    assert scatter == pytest.approx(1e-6)
    assert error > 0


def test_the_rotation_is_as_uncertain_as_the_slopes_of_single_lines_scatter(lines):
    k = np.hypot(*lines.gradient)
    slopes = []
    for number in range(-40, 41):
        y, rest = [], []
        for strip, window in zip(*np.nonzero(lines.valid), strict=True):
            if np.rint(lines.model[strip, window]) == number:
                y.append(lines.y[strip])
                rest.append(lines.residual[strip, window])
        if len(y) > 2:
            slopes.append(np.polyfit(y, rest, 1)[0])
    assert rotation_error(lines, k) == pytest.approx(np.std(slopes) / np.sqrt(len(slopes)) / k, rel=1e-6)


def by_loops(lines):
    """Least squares with errors alike in rows of cells: White's and clustered sums, cell by cell."""
    cells = list(zip(*np.nonzero(lines.valid), strict=True))
    g = np.array(lines.gradient)
    half = 700.0
    rows = []
    for strip, window in cells:
        x, y = lines.x[strip, window], lines.y[strip]
        plane, r2 = g[0] * x + g[1] * y, (x**2 + y**2) / half**2
        rows.append([1, x / half, y / half, plane * r2, plane * x / half, plane * y / half])
    a = np.array(rows)
    rest = np.array([lines.residual[cell] for cell in cells])
    variance = np.mean(rest**2)
    lean, distortion = lines.priors[0] * half, lines.priors[1] * half**2
    inverse = np.linalg.inv(a.T @ a + np.diag([0, 0, 0, *(variance / np.array([distortion, lean, lean]) ** 2)]))
    wanted = np.array([0, *(g / (g @ g) / half), 0, 0, 0])  # of the relative gradient along the lines' normal
    single, whole = 0.0, {}
    for row, one, (strip, _) in zip(a, rest, cells, strict=True):
        pull = wanted @ inverse @ row * one
        single += pull**2
        whole[strip] = whole.get(strip, 0.0) + pull
    count = len(whole)
    alike = sum(one**2 for one in whole.values()) * count / (count - 1) - single
    return np.sqrt(max(0.0, alike) + variance * wanted @ inverse @ wanted), alike


@pytest.mark.parametrize("shared", [0.0, 0.03])
def test_rows_that_stray_as_one_widen_the_error(lines, shared):
    shift = shared * np.random.default_rng(14).normal(size=(24, 1)) * (lines.x / 700)
    strayed = replace(lines, residual=lines.residual + shift)
    error, alike = by_loops(strayed)
    assert error_of_rows(strayed) == pytest.approx(error, rel=1e-4)
    assert shared == 0 or (alike > 0 and error > 2 * error_of_rows(lines))


def test_each_line_has_one_residual_a_band(lines):
    numbers, along, residual = _by_line(lines)
    assert residual.shape == (BANDS, len(numbers))
    cells = list(zip(*np.nonzero(lines.valid), strict=True))
    above = np.array([lines.across[cell] for cell in cells])
    low, high = np.quantile(above, [1 / 3, 2 / 3])
    for place, number in enumerate(numbers):
        mine = [cell for cell in cells if np.rint(lines.model[cell]) == number]
        assert along[place] == pytest.approx(np.mean([lines.along[cell] for cell in mine]))
        bands = ([], [], [])
        for cell in mine:
            bands[int(lines.across[cell] > low) + int(lines.across[cell] > high)].append(lines.residual[cell])
        for band, found in zip(bands, residual[:, place], strict=True):
            assert (np.isnan(found) and not band) or found == pytest.approx(np.mean(band))


def test_a_band_with_fifteen_lines_has_a_slope():
    along = np.linspace(-300, 500, 20)
    residual = 0.2 + 3e-4 * along
    residual[[3, 8, 11, 15, 19]] = np.nan
    assert _slope(along, residual) == pytest.approx(3e-4)
    residual[0] = np.nan
    assert np.isnan(_slope(along, residual))


def test_period_of_the_made_up_lines_is_what_is_found(lines):
    assert 1 / np.hypot(*lines.gradient) == pytest.approx(PERIOD / np.hypot(1, 0.07), rel=1e-5)


@pytest.mark.parametrize("slant", [0.0, 0.12])
def test_a_spacing_is_as_uncertain_as_many_noisy_rulers_make_it(slant):
    found = [
        _fitted(followed(coordinate(slant=slant), noise=0.012, seed=seed), upright=True, shape=(288, 1440))
        for seed in range(80)
    ]
    off = [one.spacing_px - PERIOD / np.hypot(1, slant) for one in found]
    # 80 errors: their rms is known to 8 %, and each stated error holds what pixels do besides
    assert 0.55 < np.sqrt(np.mean(np.square(off))) / np.median([one.standard_error_px for one in found]) < 1.15
    assert {one.line_count for one in found} == {37 if slant else 36}  # a slanted row reaches into one more
    assert np.median([one.rotation_deg for one in found]) == pytest.approx(np.degrees(np.arctan(slant)), abs=0.01)


def test_distortion_and_lean_are_told_for_the_whole_picture():
    found = _fitted(followed(coordinate(barrel=0.004, lean=-0.003)), upright=True, shape=(900, 1440))
    # in the corner of 900 by 1440 px, whose half diagonal is 849 px, over half of 36 lines of 40 px
    assert found.distortion == pytest.approx(0.004 * 849**2 / 720**2, rel=0.02)
    assert found.lean == pytest.approx(-0.006, rel=0.02)
    assert found.place.tolist() == [*range(1, 37)]
    assert found.residual_px.shape == (BANDS, 36)
