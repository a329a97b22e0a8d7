"""Smears by plain sums: how much detail each tile has along each way is set, and what is told of it."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking.blur import FEWEST_TILES, smears_of
from stacker.pixels.energy import LAGS

FRAMES = 16
ANGLES = np.array([np.arctan2(-down, across) for down, across in LAGS])  # counter-clockwise, rows count downward


def directional(count=400, *, scatter=0.0, seed=61):
    """Tiles in a row at depths of their own, with more detail along one way than along others, each its own."""
    rng = np.random.default_rng(seed)
    depth = rng.uniform(-1, FRAMES, count)
    curve = 0.02 + np.exp(-((np.arange(FRAMES)[:, None] - depth) ** 2) / 8)
    grain = rng.uniform(0.7, 1.4, (len(LAGS), count)) * rng.lognormal(0, 1, count)
    noise = np.exp(scatter * rng.normal(size=(FRAMES, len(LAGS), count)))
    return (curve[:, None] * grain * noise)[:, :, None, :]


def smeared(made, frame, way_deg, size):
    """Detail is lost by the cosine of twice the angle to the way: most along it, none across."""
    made = made.copy()
    loss = size * (1 + np.cos(2 * (ANGLES - np.deg2rad(way_deg))))
    made[frame] *= np.exp(-loss)[:, None, None]
    return made


def ways(smears):
    return {frame: smear.way_deg for frame, smear in enumerate(smears) if smear.way_deg is not None}


@pytest.mark.parametrize("way_deg", [0.5, 30, 89, 120, 179])
@pytest.mark.parametrize("frame", [3, 8, 12])
def test_the_way_of_a_smear_is_told_in_degrees_from_the_rows(frame, way_deg):
    told = ways(smears_of(smeared(directional(scatter=0.05), frame, way_deg, 0.1)))
    assert list(told) == [frame]
    off = (told[frame] - way_deg + 90) % 180 - 90
    assert abs(off) < 8
    assert 0 <= told[frame] < 180


def test_without_scatter_a_smear_counts_from_two_hundredths_on():
    # the three frames together tell it at its full size; 0.022 is the least that counts
    assert list(ways(smears_of(smeared(directional(), 8, 60, 0.024)))) == [8]
    assert ways(smears_of(smeared(directional(), 8, 60, 0.017))) == {}


def test_it_must_stand_out_of_how_tiles_scatter():
    noisy = directional(scatter=0.5)
    assert ways(smears_of(noisy)) == {}
    assert ways(smears_of(smeared(noisy, 8, 60, 0.06))) == {}
    assert list(ways(smears_of(smeared(noisy, 8, 60, 0.4)))) == [8]


def test_the_scatter_is_that_of_the_middle_of_so_many_tiles():
    """Hardly any frame without a smear is called one; four times as many tiles tell one of half the size."""
    false, hits = 0, {}
    for count, size in ((400, 0.2), (1600, 0.1), (400, 0.08)):
        hits[count, size] = 0
        for seed in range(12):
            made = directional(count, scatter=0.4, seed=seed)
            false += len(ways(smears_of(made)))
            hits[count, size] += 8 in ways(smears_of(smeared(made, 8, 45, size)))
    assert false <= 3  # of 432 frames: four standard errors of a vector are passed by chance once in 3,000
    assert hits[400, 0.2] >= 9
    assert hits[1600, 0.1] >= 9
    assert hits[400, 0.08] <= 6


def test_frames_at_the_ends_and_beside_missing_ones_are_not_told():
    made = smeared(directional(), 8, 60, 0.2)
    made[5] = np.nan
    made[11] = 0
    smears = smears_of(made)
    untold = [frame for frame, smear in enumerate(smears) if smear.reason is not None]
    assert untold == [0, 1, 4, 5, 6, 10, 11, 12, 14, 15]
    assert smears[4].reason == "fewer than 20 fields are in focus on both sides of it"
    # the frames beside a smeared one are needed: 7 and 9 can be told by themselves
    assert list(ways(smears)) == [8]
    near = smeared(directional(), 8, 60, 0.2)
    near[6] = np.nan  # frame 7 has no neighbour to be held against
    assert ways(smears_of(near)) == {}


def test_the_same_for_all_ways_is_no_smear():
    made = directional()
    made[8] *= 0.6
    assert ways(smears_of(made)) == {}


def test_twenty_tiles_in_focus_on_both_sides_are_enough():
    def with_sharp(count):
        made = np.full((FRAMES, len(LAGS), 1, 400), 1e-4)
        made += 1e-3 * np.exp(-((np.arange(FRAMES) - 3.0) ** 2) / 4)[:, None, None, None]  # elsewhere detail comes too
        made[:, :, :, :count] = (0.02 + np.exp(-((np.arange(FRAMES) - 8.0) ** 2) / 8))[:, None, None, None]
        return smears_of(smeared(made, 8, 60, 0.2))

    assert FEWEST_TILES == 20
    enough = with_sharp(20)
    assert enough[8].tiles == 20
    assert enough[8].way_deg == pytest.approx(60, abs=3)
    few = with_sharp(19)
    assert (few[8].tiles, few[8].way_deg) == (19, None)
    assert few[8].reason is not None


def test_sharp_is_what_has_three_tenths_of_its_most_in_the_frames_on_both_sides():
    depth = np.repeat([8.0, 9.9, 10.4], 30)
    made = np.exp(-((np.arange(FRAMES)[:, None] - depth) ** 2) / (2 * 1.8**2))[:, None, None, :] + 1e-3
    made = 7 * np.broadcast_to(made, (FRAMES, len(LAGS), 1, 90))
    # frame 7 lies 1.0, 2.9 and 3.4 steps away: by hand 0.86, 0.27 and 0.17 of the most
    assert smears_of(made)[8].tiles == 30
    # frame 8 lies 0, 1.9 and 2.4 steps away: 1, 0.57 and 0.41
    assert smears_of(made)[9].tiles == 90


def test_of_five_frames_the_middle_one_can_be_looked_at():
    four = directional()[:5]
    four[1] = np.nan
    assert {smear.reason for smear in smears_of(four)} == {"fewer than 5 frames can be looked into"}
    assert smears_of(directional()[:5])[2].reason is None
