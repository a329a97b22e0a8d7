"""Planes of focus from rendered stacks and from plain sums: what is found, what is not told, and why."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from darkroom.scenes import TEXTURED
from darkroom.stack_runs import RIGS, shot
from darkroom.stacks import Faults
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.looking.planes import planes

SMALL = {"shape": (240, 368), "frames": 20}


def looked(stack):
    return planes(stack.energy, stack.planned_um, stack.curve)


def told(found):
    return [k for k, step in enumerate(found.steps) if step.ratio is not None]


@pytest.mark.parametrize(("scene", "fault"), [("rough", "double"), ("hairy", "stall")])
def test_a_step_at_fault_is_found_and_no_other(scene, fault):
    stack = shot(scene, "tubes", 1, fault=fault, **SMALL)
    found = looked(stack)
    assert [k for k, step in enumerate(found.steps) if step.off] == [stack.at]
    # 0.15 holds for 95 % of steps, 0.4 for all (campaign)
    assert found.steps[stack.at].ratio == pytest.approx(stack.steps[stack.at], abs=0.3)
    errors = [found.steps[k].ratio - stack.steps[k] for k in told(found)]
    assert np.std(errors) < 0.08
    assert len(told(found)) > 0.5 * len(found.steps)


def test_depths_of_fields_are_those_of_the_subject():
    stack = shot("rough", "tubes", 2, **SMALL)
    found = looked(stack)
    step_um = stack.planned_um[1]
    rows, columns = found.depth_um.shape
    true = stack.depth[: rows * 16, : columns * 16].reshape(rows, 16, columns, 16).mean(axis=(1, 3))
    off = (found.depth_um / step_um - true)[np.isfinite(found.depth_um)]
    assert len(off) > 0.8 * rows * columns
    # the pupil's aberration moves best focus by a common 0.8 steps at most; fields hold relief of a step or so
    assert abs(np.median(off)) < 0.8
    assert np.median(np.abs(off - np.median(off))) < 0.2


def test_a_translucent_subject_is_said_not_to_tell():
    stack = shot("translucent", "tubes", 3, fault="double", **SMALL)
    found = looked(stack)
    assert found.reason is not None
    assert not told(found)
    assert all(step.reason for step in found.steps)


# ------------------------------------------------------------------------------------------- plain sums, no picture


def bell(displacement_um: np.ndarray, _per_px: float) -> np.ndarray:
    """Contrast of a made-up lens."""
    return np.exp(-((displacement_um / 150) ** 2))


def summed(planes_at, rng, *, fields: int = 900, width: float = 1.2, noise: float = 0.01):
    """Energies of fields at depths from the first frame to the last, each wider than the curve by some factor."""
    columns = fields // 10
    depth = rng.uniform(-0.5, planes_at[-1] + 0.5, (3, 10, columns))
    broad = width * rng.lognormal(0, 0.1, depth.shape)
    curve = np.exp(-2 * ((planes_at[:, None, None, None] - depth) / (1.5 * broad)) ** 2)
    peak, floor = rng.lognormal(0, 1, depth.shape), rng.uniform(0, 0.2, depth.shape)
    energy = peak * (floor + curve)
    return energy + noise * peak * rng.normal(size=energy.shape)


def test_long_stacks_are_fitted_in_parts_that_meet():
    rng = np.random.default_rng(11)
    steps = np.ones(83)
    steps[[20, 47, 60]] = 2, 0, 0.5  # the second one where the parts meet
    at = np.concatenate([[0], np.cumsum(steps)])
    found = planes(summed(at, rng, fields=1000), np.arange(84) * 100.0, bell)
    assert [k for k, step in enumerate(found.steps) if step.off] == [20, 47, 60]
    assert len(told(found)) == 83
    # a slow stretch is set to the planned one, so planes drift apart from the true ones by a share of a step each
    assert np.abs(np.diff(found.plane_um) / 100 - steps).max() < 0.2


def test_a_frame_that_shows_nothing_leaves_the_steps_beside_it_untold():
    energy = summed(np.arange(24.0), np.random.default_rng(12))
    energy[9] = np.nan
    found = planes(energy, np.arange(24) * 100.0, bell)
    assert sorted(set(range(23)) - set(told(found))) == [8, 9]
    assert "beside it" in found.steps[8].reason
    assert np.isnan(found.plane_um[9])


def test_a_frame_with_less_light_is_no_step_at_fault():
    energy = summed(np.arange(24.0), np.random.default_rng(13))
    energy[11] *= 0.8
    found = planes(energy, np.arange(24) * 100.0, bell)
    assert not any(step.off for step in found.steps)


def test_uneven_plans_count_their_own_steps():
    planned = np.concatenate([np.arange(12) * 1.0, 12 + np.arange(12) * 0.6])
    found = planes(summed(planned, np.random.default_rng(14)), planned * 100, bell)
    assert [found.steps[k].ratio for k in told(found)] == pytest.approx([1.0] * len(told(found)), abs=0.15)


def test_steps_without_fields_are_not_told():
    """A subject in two parts with nothing between: no field bridges frames 9 to 15."""
    rng = np.random.default_rng(15)
    at = np.arange(25.0)
    energy = np.concatenate([summed(at[:8], rng), np.full((17, 3, 10, 90), 0.1)])
    behind = np.concatenate([np.full((17, 3, 10, 90), 0.1), summed(at[:8], rng)])
    both = np.concatenate([energy, behind], axis=3) + rng.normal(0, 0.002, (25, 3, 10, 180))
    found = planes(both, at * 100, bell)
    assert not set(told(found)) & {10, 11, 12, 13}
    assert found.steps[11].reason == "too few fields are in focus there"


def test_noise_is_no_detail():
    found = planes(np.random.default_rng(16).gamma(50, size=(20, 3, 20, 30)), np.arange(20) * 100.0, bell)
    assert found.reason is not None


@pytest.mark.parametrize("frames", [0, 1, 7])
def test_few_frames_tell_nothing(frames):
    found = planes(np.ones((frames, 3, 4, 5)), np.arange(frames) * 100.0, bell)
    assert found.reason == "fewer than 8 frames can be looked into"
    assert len(found.steps) == max(0, frames - 1)


def test_empty_pictures_tell_nothing():
    assert planes(np.zeros((12, 3, 4, 5)), np.arange(12) * 100.0, bell).reason
    assert planes(np.ones((12, 3, 0, 5)), np.arange(12) * 100.0, bell).reason


@settings(max_examples=examples(60), deadline=None)
@given(
    frames=st.integers(8, 20),
    seed=st.integers(0, 2**20),
    kind=st.sampled_from(["spikes", "steps", "flat", "cauchy", "holes", "bells", "one frame"]),
)
def test_whatever_the_energies_are_there_is_an_answer(frames, seed, kind):
    rng = np.random.default_rng(seed)
    at = np.arange(float(frames))
    energy = rng.gamma(2, size=(frames, 3, 8, 12))
    if kind == "spikes":
        energy = (energy > 6).astype(float)
    elif kind == "steps":
        energy = np.where(at[:, None, None, None] > rng.uniform(0, frames, (3, 8, 12)), 1.0, 0.01)
    elif kind == "flat":
        energy[:] = 1.0
    elif kind == "cauchy":
        energy = np.abs(rng.standard_cauchy(energy.shape))
    elif kind == "bells":
        energy = summed(at, rng, fields=120, width=rng.uniform(0.2, 4), noise=0.0)
    elif kind == "one frame":
        energy = summed(at, rng, fields=120)
        energy[frames // 2] *= rng.choice([1e-6, 1e6])
    if kind == "holes":
        energy = summed(at, rng, fields=120)
        energy[rng.uniform(size=frames) < 0.3] = rng.choice([np.nan, np.inf, 0.0])
    found = planes(energy, at * 100, bell)
    for step in found.steps:
        assert (step.ratio is None) == (step.standard_error is None) == (step.reason is not None)
        assert step.ratio is None or (np.isfinite(step.ratio) and 0 < step.standard_error < 1.5)


def test_a_smeared_frame_is_left_out_and_moves_no_plane():
    stack = shot("rough", "tubes", 5, shape=(240, 368), frames=16, faults=Faults(smear_px={8: (3.0, 0.5)}))
    found = looked(stack)
    assert found.softer == (8,)
    assert not any(step.off for step in found.steps)
    assert (
        found.steps[7].reason == found.steps[8].reason == "a frame beside it has less fine detail than those around it"
    )


@pytest.mark.parametrize("soft_px", [0.7, 1.5])
def test_a_frame_that_is_soft_all_round_is_found_and_no_other(soft_px):
    stack = shot("rough", "tubes", 5, shape=(240, 368), frames=16, faults=Faults(soft_px={8: soft_px}))
    found = looked(stack)
    assert found.soft == (8,)
    assert not any(step.off for step in found.steps)


@pytest.mark.campaign
def test_soft_frames_are_found_in_textured_stacks_and_hardly_any_other():
    told = hit = other = frames = 0
    for soft_px, scene, rig in itertools.product((0.0, 0.7, 1.5), TEXTURED, sorted(RIGS)[::2]):
        faults = Faults(soft_px={9: soft_px} if soft_px else {})
        found = looked(shot(scene, rig, 41, shape=(240, 360), faults=faults))
        if found.reason is not None:
            continue
        frames += len(found.plane_um)
        told += soft_px > 0
        hit += 9 in found.soft and soft_px > 0
        other += len({*found.soft} - ({9} if soft_px else set()))
    assert told >= 18
    assert hit >= 0.6 * told  # 18 of 24 when it was set, less two standard deviations
    assert other <= frames / 300
