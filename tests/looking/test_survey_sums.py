"""Where a subject lies, by plain sums with known depths in a run that begins and steps anyhow."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking.seen import Seen
from stacker.looking.survey import survey_of, surveyed

STEP_UM, FIRST_UM, FRAMES = 25.0, 1000.0, 24
PLANNED_UM = FIRST_UM + STEP_UM * np.arange(FRAMES)
WIDTH = 1.5  # steps, where contrast has fallen to 1/e


def lens(off_um, _per_px):
    return np.exp(-((off_um / (WIDTH * STEP_UM)) ** 2))


def energy_of(depth, frames=FRAMES, *, noise=0.002, seed=91, wider=1.0):
    """Energies of tiles at depths [steps from the first frame], in three bands alike."""
    rng = np.random.default_rng(seed)
    curve = np.exp(-2 * ((np.arange(frames)[:, None, None, None] - depth) / (wider * WIDTH)) ** 2)
    return 0.1 + curve + noise * rng.normal(size=(frames, 3, *depth.shape))


def told(depth, *, least_gap_um=75.0, **rest):
    return survey_of(energy_of(depth, **rest), PLANNED_UM, lens, least_gap_um=least_gap_um)


def um(steps):
    return FIRST_UM + STEP_UM * steps


def relief(low, high, shape=(14, 20)):
    """A slope from the one depth to the other, the same in each column: neighbours lie close."""
    return np.linspace(low, high, shape[0])[:, None] + np.zeros(shape)


@pytest.mark.parametrize("wider", [0.8, 1.0, 2.0])
def test_each_tile_s_depth_is_told_between_the_depths_that_are_tried(wider):
    """Whatever relief within a tile makes of the lens's curve."""
    depth = relief(5.0, 15.0)
    found = told(depth, wider=wider)
    assert found.told == 1.0
    # tried are quarters of a step; between them a parabola finds the top to a twentieth
    assert np.abs(found.depth_um - um(depth)).max() < 0.06 * STEP_UM


def test_front_and_back_are_those_of_the_third_tile_with_a_quarter_of_a_step():
    depth = relief(6.0, 12.0)
    depth[2, 3], depth[2, 9], depth[2, 15] = 5.2, 5.4, 5.6  # three nearer ones: the third counts
    found = told(depth)
    assert found.front_um == pytest.approx(um(5.6 - 0.25), abs=0.1 * STEP_UM)
    # what lies in a tile may lie half as far behind as its neighbours differ, here 6 steps over 13 tiles
    assert found.back_um == pytest.approx(um(12.0 + 6 / 13 / 2 + 0.25), abs=0.12 * STEP_UM)
    assert not found.before_first
    assert not found.beyond_last


def test_a_tile_without_a_neighbour_at_its_depth_may_be_noise():
    depth = relief(6.0, 12.0)
    depth[3, 3], depth[3, 8], depth[3, 13], depth[3, 18] = 1.0, 1.2, 1.4, 1.6  # four, each alone
    assert told(depth).front_um == pytest.approx(um(6.0 - 0.25), abs=0.1 * STEP_UM)
    depth[3, 4] = depth[3, 9] = depth[3, 14] = 1.3  # with company three of them are something
    assert told(depth).front_um == pytest.approx(um(1.2 - 0.25), abs=0.15 * STEP_UM)
    for corner in ((2, 5), (4, 5), (2, 4)):  # beside it over a corner, too
        depth = relief(6.0, 12.0)
        depth[3, 4] = depth[corner] = 1.0
        depth[9, 9] = depth[9, 10] = 1.1
        assert told(depth).front_um < um(1.5)


@pytest.mark.parametrize("least_gap", [2.0, 3.5])
def test_a_gap_is_told_where_it_is_longer_than_asked_a_step_off_what_lies_beside_it(least_gap):
    depth = np.where(np.arange(20) < 10, 5.0, 10.0) + relief(0.0, 0.6)
    found = told(depth, least_gap_um=least_gap * STEP_UM)
    # from 5.6 to 10.0: 4.4 steps, of which a step at either end is no gap for sure
    if least_gap == 2.0:
        ((low, high),) = found.gaps_um
        assert (low, high) == pytest.approx((um(6.6), um(9.0)), abs=0.12 * STEP_UM)
    else:
        assert found.gaps_um == ()


@pytest.mark.parametrize(
    ("low", "high", "before", "beyond"),
    [(0.4, 12.0, False, False), (0.1, 12.0, True, False), (6.0, 22.5, False, False), (6.0, 22.9, False, True)],
)
def test_what_is_sharpest_at_an_end_may_go_on_there(low, high, before, beyond):
    """With the quarter of a step outward; the back lies by the relief of a tile farther still."""
    depth = np.where(np.arange(20) < 10, low, high) + np.zeros((14, 20))
    found = told(depth)
    assert (found.before_first, found.beyond_last) == (before, beyond)


def test_four_frames_and_few_tiles_tell_nothing_and_say_why():
    four = survey_of(energy_of(relief(1, 2), 4), PLANNED_UM[:4], lens, least_gap_um=75)
    assert four.reason == "fewer than 5 frames can be looked into"
    assert (four.front_um, four.back_um, four.gaps_um, four.told) == (None, None, (), 0.0)
    assert four.depth_um.shape == (14, 20)
    five = survey_of(energy_of(relief(1, 3), 5), PLANNED_UM[:5], lens, least_gap_um=75)
    assert five.reason != "fewer than 5 frames can be looked into"
    for tiles, reason in ((39, "hardly any part of the picture has detail that comes and goes with focus"), (41, None)):
        energy = np.full((FRAMES, 3, 1, 90), 0.3)
        energy[..., :tiles] = energy_of(relief(6.0, 12.0, (tiles, 1)).T)
        assert survey_of(energy, PLANNED_UM, lens, least_gap_um=75).reason == reason
    scattered = np.random.default_rng(92).permutation(np.linspace(1, 22, 280)).reshape(14, 20)
    sparse = np.full((FRAMES, 3, 28, 40), 0.3)
    sparse[..., ::2, ::2] = energy_of(scattered)  # each alone among nothing
    assert survey_of(sparse, PLANNED_UM, lens, least_gap_um=75).reason is not None


def test_most_detail_at_several_depths_behind_one_another_tells_nothing():
    rng = np.random.default_rng(93)
    depth = relief(4.0, 16.0)
    second = energy_of(depth + rng.choice([-1, 1], depth.shape) * 5.0)
    both = energy_of(depth) + second
    both[..., :4] = energy_of(depth)[..., :4]  # a fifth of it is one surface
    found = survey_of(both, PLANNED_UM, lens, least_gap_um=75)
    assert found.reason == "most detail does not rise and fall once: it lies at several depths behind one another"


def seen_of(depth):
    fine = energy_of(depth).astype(np.float32)
    return {n: Seen(pixels=(224, 320), fine=one) for n, one in enumerate(fine, start=1)}


def test_frames_count_that_can_be_looked_into_and_are_of_the_size_that_most_have():
    depth = relief(6.0, 12.0)
    seen = seen_of(depth)
    seen[3] = Seen(fault="cut short")
    seen[20] = Seen(pixels=(10, 10), fine=np.ones((3, 4, 4), np.float32))
    focus_um = {n: PLANNED_UM[n - 1] for n in seen}
    asked = []

    def curve_of(pixels):
        asked.append(pixels)
        return lens

    found, count = surveyed(seen, focus_um, curve_of, least_gap_um=75)
    assert (count, asked) == (22, [(224, 320)])
    assert found.front_um == pytest.approx(um(5.75), abs=0.15 * STEP_UM)
    backward = {n: seen[25 - n] for n in seen if 25 - n in seen}  # shot from the back: depth orders them, not numbers
    again, _ = surveyed(backward, {n: focus_um[25 - n] for n in backward}, curve_of, least_gap_um=75)
    assert again.front_um == pytest.approx(found.front_um)
    nothing, none = surveyed({1: Seen(fault="empty")}, focus_um, curve_of, least_gap_um=75)
    assert none == 0
    assert nothing.reason == "no picture could be laid beside a frame and looked into"
    assert np.isnan(nothing.depth_um).all()
