"""Strips, frequencies and phases of made-up lines, each against what it is by definition."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.pixels.comb import FEWEST_LINES, candidate_frequencies, cells_at, strips_of


@pytest.mark.parametrize(
    ("rows", "kind", "each"),
    [
        (3, np.uint8, 4),
        (9, np.uint8, 4),
        (640, np.uint8, 4),
        (800, np.uint16, 5),
        (1601, np.float32, 10),
        (160 * 257, np.uint8, 257),  # whose sums no longer fit into two bytes
    ],
)
def test_strips_are_means_of_rows_with_their_centres(rows, kind, each):
    grey = np.random.default_rng(rows).integers(0, 255, (rows, 5), endpoint=True).astype(kind)
    if rows > 40_000:
        grey[:] = 255
    strips, y = strips_of(grey)
    assert len(strips) == len(y) == rows // each
    for place, (strip, middle) in enumerate(zip(strips, y, strict=True)):
        np.testing.assert_allclose(strip, grey[place * each : (place + 1) * each].mean(axis=0), rtol=1e-6)
        # pixel i covers i to i + 1 here, and the middle of the picture lies at rows / 2
        assert middle == np.mean(np.arange(place * each, (place + 1) * each) + 0.5) - rows / 2


def waves(*frequencies, columns=1500, strips=90, noise=0.0, amplitude=20.0):
    rng = np.random.default_rng(3)
    x = np.arange(columns)
    made = sum((amplitude * np.cos(2 * np.pi * one * x + k) for k, one in enumerate(frequencies)), np.zeros(columns))
    return 100 + made + noise * rng.normal(size=(strips, columns))


def test_frequencies_are_found_finest_first_to_a_hundredth_of_a_line():
    given = (0.131, 0.0402, 0.0777)
    found = candidate_frequencies(waves(*given, noise=4.0))
    assert found == pytest.approx(sorted(given, reverse=True), abs=0.05 / 1500)


def test_a_frequency_is_looked_for_from_fifteen_lines_to_the_finest_and_a_fifth_beyond():
    for inside in (0.85 * FEWEST_LINES / 1500, 1 / (0.82 * 8)):
        assert candidate_frequencies(waves(inside, noise=4.0)) == pytest.approx([inside], abs=0.2 / 1500)
    for outside in (0.7 * FEWEST_LINES / 1500, 1 / (0.75 * 8)):
        assert candidate_frequencies(waves(outside, noise=4.0)) == []


def test_noise_has_no_frequency_and_of_many_the_strongest_eight_are_kept():
    assert candidate_frequencies(waves(noise=10.0)) == []
    many = [0.02 + 0.012 * k for k in range(10)]
    strips = sum(waves(one, amplitude=30 - 2 * k, noise=0.3) for k, one in enumerate(many))
    assert candidate_frequencies(strips) == pytest.approx(many[7::-1], abs=0.1 / 1500)


def test_a_faint_wave_stands_out_of_noise_only_where_noise_is_low():
    """A row of lines among others is judged by what lies round about it, not by the whole of the picture."""
    rng = np.random.default_rng(8)
    rough = np.cumsum(rng.normal(size=(90, 1500)), axis=1)  # of coarse things there is much
    assert candidate_frequencies(rough + waves(0.11, amplitude=0.5)) == pytest.approx([0.11], abs=0.1 / 1500)


@pytest.mark.parametrize(("frequency", "every"), [(1 / 23.7, 1), (1 / 23.7, 3), (1 / 8.3, 1), (1 / 131.3, 1)])
def test_a_cell_tells_the_phase_at_its_centre_and_the_amplitude(frequency, every):
    """Line coordinate by definition: the number of waves from the middle of the picture, half a pixel in."""
    columns = 1403  # of five at a time three are left over, at the right
    x = np.arange(columns) - (columns - 1) / 2
    y = np.array([-30.0, 0.0, 30.0])
    line = frequency * x + 0.01 * y[:, None] + 0.17
    strips = 100 + 20 * np.cos(2 * np.pi * line) + 3e-2 * x  # in light that falls to one side
    cells = cells_at(strips, y, frequency, every=every)
    assert cells.every == every
    assert cells.period_px == pytest.approx(1 / frequency)
    assert cells.wave.shape == (3, len(cells.x))
    assert cells.profile.shape[:2] == cells.wave.shape
    assert np.diff(cells.x) == pytest.approx(np.full(len(cells.x) - 1, every / frequency))
    # they fill the picture: what is left over is a window at most and one of those skipped
    assert cells.x[0] - (every + 1) / frequency < x[0]
    assert cells.x[-1] + (every + 1) / frequency > x[-1]
    expected = frequency * cells.x + 0.01 * y[:, None] + 0.17
    off = np.angle(cells.wave * np.exp(-2j * np.pi * expected)) / (2 * np.pi)
    inner = slice(1, -1)  # at the ends the light's slope is known from one side
    assert np.abs(off[:, inner]).max() < 0.003
    # half of the amplitude, as of any Fourier coefficient; straight lines between pixels pass a squared sinc of it
    assert np.abs(cells.wave)[:, inner] == pytest.approx(
        np.full(off[:, inner].shape, 10 * np.sinc(frequency) ** 2), rel=0.02
    )


def test_harmonics_and_the_light_have_no_share_in_a_cell():
    x = np.arange(1400)
    harmonics = sum(np.cos(2 * np.pi * m * x / 40 + m) for m in (2, 3, 4, 5))
    cells = cells_at(100 + 20 * harmonics + 0.05 * x + np.zeros((2, 1)), np.array([0.0, 9.0]), 1 / 40)
    assert np.abs(cells.wave[:, 1:-1]).max() < 0.05
    assert np.abs(cells.profile.mean(axis=2)).max() < 1e-4  # level taken off
