"""Where a subject lies, from rendered coarse runs; lengths in slices of the stack to come."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.survey_runs import coarse

from stacker.looking.survey import survey_of

LEAST_GAP = 3.0


def surveyed(run):
    return survey_of(run.energy, run.planned * run.slice_um, run.curve, least_gap_um=LEAST_GAP * run.slice_um)


def in_slices(run, *lengths_um):
    return [length_um / run.slice_um for length_um in lengths_um]


def best_focus(run):
    """How far an aberration moves best focus, in this run and in the stack to come alike: so the depths of all say."""
    return np.nanmedian(surveyed(run).depth_um / run.slice_um - run.tiles)


def check(run, gap=None, *, shift=None, inside=0.8, outside=3.0):
    """Never inside of what three fields show by more than that many slices, nor outside.

    The usual bounds are those of small pictures, in whose tiles noise weighs four times as much as in a camera's.
    """
    found = surveyed(run)
    shift = best_focus(run) if shift is None else shift
    assert abs(shift) < 0.8
    front, back = np.array(in_slices(run, found.front_um, found.back_um)) - shift
    depths = np.sort(run.tiles.ravel())
    assert depths[2] - outside < front < depths[2] + inside
    assert depths[-3] - inside < back < depths[-3] + outside
    assert not found.before_first
    assert not found.beyond_last
    assert len(found.gaps_um) <= (gap is not None)
    for low_um, high_um in found.gaps_um:  # a frame beside it reaches half a slice into it
        low, high = np.array(in_slices(run, low_um, high_um)) - shift
        assert gap[0] - 0.5 < low
        assert high < sum(gap) + 0.5
        assert high - low > 0.3 * gap[1]
    return len(found.gaps_um)


def test_front_back_and_a_gap_of_ten_slices_are_found():
    gap = (27.0, 10.0)
    assert check(coarse("rough", "tubes", 1, gap=gap, shape=(240, 368)), gap) == 1


@pytest.mark.campaign
def test_in_a_picture_of_three_megapixels_the_ends_lie_within_half_a_slice_and_two():
    gap = (27.0, 10.0)
    shift = best_focus(coarse("rough", "tubes", 1))  # hairs lie before what a tile shows of the skin, by no aberration
    run = coarse("hairy", "tubes", 1, gap=gap, shape=(1350, 2000))
    assert check(run, gap, shift=shift, inside=0.5, outside=2.0) == 1


def test_what_is_nearer_hides_what_lies_behind_it():
    """Relief moves the back outward and leaves the front: hairs tell their own depth, not that of the skin."""
    rng = np.random.default_rng(3)
    rise = 0.5 * np.arange(24)[:, None] + np.zeros(30)  # half a step from tile to tile
    at = np.arange(-5.0, 18.0)
    found = survey_of(summed(np.stack([rise] * 3), at, rng), at, bell, least_gap_um=3)
    assert found.front_um == pytest.approx(0 - 0.25, abs=0.1)
    assert found.back_um == pytest.approx(11.5 + 0.25 + 0.25, abs=0.1)


def test_a_subject_that_goes_on_is_said_to():
    run = coarse("rough", "tubes", 2, begin=8.0, end=-8.0, shape=(240, 368))
    found = surveyed(run)
    assert found.before_first
    assert found.beyond_last


def test_one_that_shows_several_depths_in_one_place_tells_nothing():
    found = surveyed(coarse("translucent", "tubes", 1, shape=(240, 368)))
    assert found.front_um is None
    assert found.back_um is None
    assert not found.gaps_um
    assert "several depths behind one another" in found.reason
    assert found.told == 0


def test_too_few_frames_and_nothing_at_all():
    rng = np.random.default_rng(1)
    few = survey_of(rng.random((4, 3, 9, 9)), np.arange(4.0), lambda off, _: np.exp(-(off**2)), least_gap_um=3)
    assert "fewer than 5 frames" in few.reason
    noise = survey_of(
        1 + 0.01 * rng.random((20, 3, 20, 20)), np.arange(20.0), lambda off, _: np.exp(-(off**2)), least_gap_um=3
    )
    assert "hardly any part of the picture has detail" in noise.reason


def summed(depth, at, rng):
    """Energies of tiles at given depths [steps], each by a made-up lens."""
    curve = np.exp(-2 * ((at[:, None, None, None] - depth) / 0.9) ** 2)
    return 0.1 + curve + 0.005 * rng.normal(size=curve.shape)


def bell(displacement_um, _per_px):
    return np.exp(-((displacement_um / 0.9) ** 2))


def test_single_tiles_do_not_move_the_ends_but_fill_a_gap():
    rng = np.random.default_rng(2)
    depth = np.where(np.arange(30) < 15, 6.0, 20.0) + 0.2 * rng.random((3, 24, 30))
    at = np.arange(30.0)
    plain = survey_of(summed(depth, at, rng), at, bell, least_gap_um=3)
    assert plain.front_um == pytest.approx(6.0, abs=0.45)
    assert plain.back_um == pytest.approx(20.2, abs=0.45)
    ((low, high),) = plain.gaps_um
    assert 6.9 < low < 7.6
    assert 18.6 < high < 19.3
    depth[:, 5, 5], depth[:, 12, 20] = 2.0, 13.0  # dust before the front; a thread across the gap
    found = survey_of(summed(depth, at, rng), at, bell, least_gap_um=3)
    assert found.front_um == pytest.approx(plain.front_um, abs=0.1)
    assert len(found.gaps_um) == 2
    assert all(high < 13 or low > 13 for low, high in found.gaps_um)


@pytest.mark.campaign
@pytest.mark.parametrize("scene", ["rough", "hairy"])
def test_many_subjects_are_found_where_they_lie(scene):
    found = [
        check(coarse(scene, rig, seed, gap=(27.0, 10.0)), (27.0, 10.0)) + check(coarse(scene, rig, seed))
        for rig in ("tubes", "reversed", "telecentric", "bellows", "half")
        for seed in range(101, 103)
    ]
    # a field that tells a depth in the gap by mistake keeps its frames: a loss of time alone
    assert sum(found) >= 0.7 * len(found)
