"""The fit of planes by plain sums: its maps beside the truth, and every reason why it tells nothing."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking.fields import NO_DETAIL
from stacker.looking.planes import planes

STEP_UM = 100.0


def bell(displacement_um, _per_px):
    """Contrast of a made-up lens; its energy is the square of it."""
    return np.exp(-((displacement_um / 150) ** 2))


def energy_of(depth, frames, *, noise=0.01, width=1.2, seed=81):
    """Energies of tiles, rows by columns, each at a depth [steps] in all three bands."""
    rng = np.random.default_rng(seed)
    curve = np.exp(-2 * ((np.arange(frames)[:, None, None, None] - depth) / (1.5 * width)) ** 2)
    peak = rng.lognormal(0, 0.7, (3, *depth.shape))
    return peak * (0.1 + curve + noise * rng.normal(size=(frames, 3, *depth.shape)))


def told(energy):
    return planes(energy, np.arange(len(energy)) * STEP_UM, bell)


def spread(frames, shape=(10, 60), seed=82):
    return np.random.default_rng(seed).uniform(0, frames - 1, shape)


def test_the_map_holds_each_tile_s_depth():
    depth = spread(24)
    found = told(energy_of(depth, 24, noise=0.05))
    known = np.isfinite(found.depth_um)
    assert known.mean() > 0.9
    off = (found.depth_um / STEP_UM - depth)[known]
    assert abs(np.median(off)) < 0.3  # where the whole stack lies no picture shows, and planes drift
    assert np.std(off) < 0.15


def test_of_a_tile_s_bands_the_most_certain_one_tells_its_depth():
    depth = spread(24)
    energy = energy_of(depth, 24, noise=0.0)
    rng = np.random.default_rng(87)
    loud = energy_of(depth + rng.choice([-1, 1], depth.shape) * 1.5, 24, noise=0.12)
    energy[:, 1] = loud[:, 1]  # the middle band is noisy, and sees something else
    found = told(energy)
    off = np.abs(found.depth_um / STEP_UM - depth)
    assert np.nanmean(off < 0.2) > 0.9  # in some tiles the other two are too faint to count


def test_planes_of_all_frames_are_told_where_there_is_one():
    energy = energy_of(spread(24), 24)
    energy[5] *= 1.3
    energy[9] = np.nan
    found = told(energy)
    assert np.isnan(found.plane_um[9])
    rest = np.delete(np.arange(24), 9)
    assert np.isfinite(found.plane_um[rest]).all()
    assert np.diff(found.plane_um[rest]) == pytest.approx(np.diff(rest) * STEP_UM, abs=15)


@pytest.mark.parametrize(("left", "softer", "surely"), [(0.5, True, True), (0.7, True, False), (0.9, False, False)])
def test_a_frame_with_less_fine_detail_beside_coarse_is_left_out_and_named_where_it_is_no_chance(left, softer, surely):
    """A frame that lacks half, three tenths, a tenth: what fields and planes take of it is not told."""
    energy = energy_of(spread(24, (20, 60)), 24, noise=0.005)
    energy[9, 0] *= left
    found = told(energy)
    assert found.softer == ((9,) if softer else ())
    assert found.soft == ((9,) if surely else ())
    reasons = {found.steps[8].reason, found.steps[9].reason}
    assert (reasons == {"a frame beside it has less fine detail than those around it"}) == softer
    assert found.steps[10].ratio == pytest.approx(1, abs=0.15)
    assert not any(step.off for step in found.steps)


def test_a_plan_may_begin_anywhere():
    energy = energy_of(spread(20), 20)
    here, there = (planes(energy, start + np.arange(20) * STEP_UM, bell) for start in (0.0, 777.0))
    assert here.reason is there.reason is None
    assert [step.ratio for step in here.steps] == pytest.approx([step.ratio for step in there.steps])


def test_detail_in_few_frames_tells_too_few_steps_to_hold_one_against_the_others():
    depth = np.random.default_rng(83).uniform(18, 23, (10, 60))
    found = told(energy_of(depth, 44, noise=0.005))
    assert found.reason is None
    assert {step.ratio for step in found.steps} == {None}
    assert "too few steps can be told to hold one against the others" in {step.reason for step in found.steps}


def test_a_stretch_of_frames_without_anything_in_focus_tells_nothing_of_the_stack():
    depth = np.random.default_rng(84).uniform(0, 30, (10, 60))
    found = told(energy_of(depth, 110))
    assert found.reason == "too few fields are in focus in some stretch of frames"
    assert all(step.ratio is None for step in found.steps)
    assert not found.silent


def test_fields_that_follow_no_lens_are_said_to():
    """Each shows two depths: alike enough to a curve to be taken for a field, and in no frame explained by one."""
    frames = 24
    rng = np.random.default_rng(85)
    depth = spread(frames)
    first = energy_of(depth, frames, noise=0.0, width=1.6)
    second = energy_of(depth + rng.choice([-1, 1], depth.shape) * 2.6, frames, noise=0.0, width=0.7)
    found = told(first + 0.75 * second / second.max(axis=0) * first.max(axis=0))
    assert found.reason is not None
    assert found.silent
    assert all(step.ratio is None for step in found.steps)


def test_forty_fields_are_enough_and_fewer_are_no_detail():
    few = np.full((24, 3, 10, 60), 0.3)
    few[..., 0, :13] = energy_of(spread(24, (1, 13)), 24, noise=0.0)[..., 0, :]  # 39 of three bands
    found = told(few)
    assert (found.reason, found.silent) == (NO_DETAIL, True)


def test_frames_that_are_missing_have_that_reason_whatever_the_rest_tells():
    nothing = np.full((24, 3, 4, 5), 0.3)
    nothing[7] = np.nan
    found = told(nothing)
    reasons = [step.reason for step in found.steps]
    assert reasons[6] == reasons[7] == "a frame beside it is missing or tells nothing"
    assert reasons[0] == found.reason


@pytest.mark.parametrize("frames", [71, 72, 100, 130])
def test_however_the_parts_of_a_long_stack_fall_its_planes_join(frames):
    steps = np.ones(frames - 1)
    steps[[30, 47, 52, 66]] = 1.8, 0.0, 1.6, 0.4
    at = np.concatenate([[0], np.cumsum(steps)])
    rng = np.random.default_rng(86)
    depth = rng.uniform(0, at[-1], (10, 150))
    curve = np.exp(-2 * ((at[:, None, None, None] - depth) / 1.8) ** 2)
    energy = 0.1 + curve + 0.01 * rng.normal(size=(frames, 3, 10, 150))
    found = told(energy)
    assert [k for k, step in enumerate(found.steps) if step.off] == [30, 47, 52, 66]
    assert np.abs(np.diff(found.plane_um) / STEP_UM - steps).max() < 0.2
