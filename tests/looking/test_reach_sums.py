"""Where fields lie beside the ends of a stack, by plain sums: which are named, and which tell nothing."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking.reach import reach_of
from stacker.pixels.energy import BANDS

STEP_UM, FRAMES = 80.0, 16
AT = np.arange(float(FRAMES))


def lens(off_um, per_px):
    """A made-up lens; coarse detail keeps longer."""
    return np.exp(-((off_um * per_px / (0.22 * 1.5 * STEP_UM)) ** 2))


def share(apart, band):
    """Energy that a band keeps so many steps from focus, about."""
    return np.exp(-2 * (apart / (1.5 * 2**band)) ** 2)


def energy_of(depth, peak=1.0, floor=0.05):
    """Tiles in a row, each sharpest at its depth in all bands alike."""
    depth = np.asarray(depth, float)
    made = np.stack([floor + share(AT[:, None] - depth, band) for band in range(BANDS)], axis=1)
    return (made * peak)[:, :, None, :]


def reached(energy, planned_um=AT * STEP_UM):
    return reach_of(energy, planned_um, lens)


INSIDE = np.linspace(1.5, 13.5, 120)


def test_each_field_is_inside_before_or_beyond():
    depth = np.concatenate([INSIDE, [-1.0, 0.0, 15.0, 16.0, 17.0]])
    found = reached(energy_of(depth))
    assert found.reason is None
    assert found.inside.shape == found.before.shape == found.beyond.shape == (1, 125)
    assert found.inside[0, :120].all()
    assert found.before[0].nonzero()[0].tolist() == [120, 121]
    assert found.beyond[0].nonzero()[0].tolist() == [122, 123, 124]
    assert not (found.inside & (found.before | found.beyond)).any()


def test_what_lies_farther_than_is_tried_or_shows_nothing_is_none_of_the_three():
    depth = np.concatenate([INSIDE, [15 + 5.5, -5.5]])
    energy = energy_of(depth)
    nothing = np.full((FRAMES, BANDS, 1, 3), 0.5)
    found = reached(np.concatenate([energy, nothing], axis=3))
    told = found.inside | found.before | found.beyond
    assert told[0, :120].all()
    assert not told[0, 120:].any()


def test_the_coarse_band_tells_of_what_lies_some_steps_beyond():
    """Of fine detail nothing is left there; of the coarse one a rise is."""
    depth = np.concatenate([INSIDE, [18.5] * 4])
    energy = energy_of(depth)
    energy[:, 0, :, 120:] = 0.05
    assert reached(energy).beyond[0].nonzero()[0].tolist() == [120, 121, 122, 123]


def test_a_field_that_is_sharpest_between_the_ends_in_any_band_is_not_beyond():
    depth = np.concatenate([INSIDE, [16.0] * 2])
    energy = energy_of(depth)
    energy[:, 1, :, 121] = energy_of([8.0])[:, 1, :, 0]
    assert reached(energy).beyond[0].nonzero()[0].tolist() == [120]


@pytest.mark.parametrize(("peak", "named"), [(0.1, True), (0.04, False)])
def test_what_is_faint_beside_the_rest_only_shines_in(peak, named):
    depth = np.concatenate([INSIDE, [15.5]])
    # half a step behind the last frame four fifths of the peak show there
    energy = energy_of(depth, np.append(np.ones(120), peak), floor=0.0) + 0.005  # haze lies over all alike
    assert reached(energy).beyond[0, 120] == named


def test_planned_steps_and_missing_frames_are_taken_as_they_are():
    energy = energy_of(np.concatenate([INSIDE, [16.0]]))
    energy[[3, 9]] = np.nan
    energy[12] = 0.0
    found = reached(energy)
    assert found.beyond[0].nonzero()[0].tolist() == [120]
    assert found.inside[0].sum() > 100
    last_lost = energy_of(np.concatenate([INSIDE, [14.6]]))
    last_lost[15] = np.nan  # then the one before it is the last
    assert reached(last_lost).beyond[0, 120]


def test_five_frames_are_too_few_and_six_may_do():
    energy = energy_of(np.linspace(0.5, 4.5, 120))
    assert reached(energy[:5], AT[:5] * STEP_UM).reason == "fewer than 6 frames can be looked into"
    energy[6:] = np.nan
    assert reached(energy).reason != "fewer than 6 frames can be looked into"
    energy[5] = 0
    few = reached(energy)
    assert few.reason == "fewer than 6 frames can be looked into"
    assert not (few.inside | few.before | few.beyond).any()


def test_without_detail_the_reason_is_said_and_no_field_is_named():
    nothing = reached(np.full((FRAMES, BANDS, 4, 30), 0.3))
    assert nothing.reason is not None
    assert nothing.inside.shape == (4, 30)
    assert not (nothing.inside | nothing.before | nothing.beyond).any()
