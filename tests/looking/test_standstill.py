"""A rail that stood still for a large part of its run: plain sums, then rendered stacks."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from darkroom.scenes import SCENES, TEXTURED
from darkroom.stack_runs import RIGS, shot
from looking.test_depths import BELL, STEP_UM, seen_of

from stacker.looking.depths import Between, Depths, depths_of
from stacker.looking.light import Light
from stacker.looking.stack import Looked
from stacker.looking.standstill import moving, planes_of_run, standstills, when_moving
from stacker.looking.steps import Step
from stacker.presenting.looked_text import looked_facts

FRAMES = 40


def energy_of(steps, frames=FRAMES):
    """What pictures show whose planes are so far apart, over depths that a whole run would reach."""
    planes = np.concatenate(([0.0], np.cumsum(steps)))
    rng = np.random.default_rng(1)
    depth = np.broadcast_to(rng.uniform(0.5, frames - 1.5, (48, 64)), (3, 48, 64))
    noise = 1 + rng.normal(0, 0.01, (len(planes), *depth.shape))
    width = 64 / STEP_UM
    shown = [(0.02 + np.exp(-2 * ((z - depth) / width) ** 2)) * n for z, n in zip(planes, noise, strict=True)]
    return 30 * np.stack(shown)  # of whatever unit


def steps_that_stand(*spans_of_steps):
    steps = np.ones(FRAMES - 1)
    for one in spans_of_steps:
        steps[one] = 0
    return steps


def still(steps):
    return set(np.flatnonzero(np.isfinite(standstills(energy_of(steps)))).tolist())


@pytest.mark.parametrize("stands", [slice(4, None), slice(20, None), slice(6, 30), slice(10, 15), slice(35, None)])
def test_where_the_rail_stands_and_nowhere_else(stands):
    assert still(steps_that_stand(stands)) == set(range(*stands.indices(FRAMES - 1)))


def test_twice_in_one_run():
    assert still(steps_that_stand(slice(8, 14), slice(25, 33))) == {*range(8, 14), *range(25, 33)}


@pytest.mark.parametrize("steps", [np.ones(39), np.full(39, 0.5), steps_that_stand(slice(10, 13)), np.zeros(39)])
def test_no_standstill(steps):
    """Small steps, three that are none, and a rail that never moved, of which nothing shows what a step would do."""
    assert still(steps) == set()


def _by_four_steps(k):
    """Mean change of the logarithm of places that are sharp, on an average, in two frames four steps apart."""
    depth = np.random.default_rng(5).uniform(0.5, FRAMES - 1.5, 20_000)
    one, other = (0.02 + np.exp(-2 * ((z - depth) / (64 / STEP_UM)) ** 2) for z in (k, k + 4))
    sharp = (one + other) / 2 / 1.02 > 0.5
    return np.abs(np.log(other / one))[sharp].mean()


def test_how_far_it_moved_at_most_is_told_and_a_rail_that_creeps_moves():
    """What is left is noise of one part in a hundred; a tenth of a step each adds up."""
    told = standstills(energy_of(steps_that_stand(slice(12, 20))))[12:20]
    # by definition: two frames of one plane differ by their noise, sqrt(2) parts in a hundred, whose mean size is 0.8
    # of that; half of its share of what four usual steps change
    usual = np.quantile([_by_four_steps(k) for k in range(FRAMES - 5)], 0.95)
    assert told == pytest.approx(np.full(8, 0.8 * np.sqrt(2) * 0.01 / usual / 2), rel=0.15)
    steps = steps_that_stand(slice(12, 20))
    steps[12:20] = 0.1
    assert still(steps) == set()


def test_what_the_plan_would_have_been_counts_its_own_steps():
    still_ones = np.array([np.nan, 0.1, 0.1, np.nan, np.nan])
    planned_um = np.array([500.0, 540.0, 580.0, 620.0, 640.0, 700.0])
    assert when_moving(planned_um, still_ones).tolist() == [500, 540, 540, 540, 560, 620]
    assert moving(still_ones).tolist() == [True, True, False, False, True, True]


def test_faint_things_and_what_is_there_all_the_time_tell_no_standstill():
    """Haze and a lamp in the picture change from frame to frame as they like."""
    energy = energy_of(steps_that_stand(slice(15, 24)))
    rng = np.random.default_rng(3)
    energy[:, :, :12] = 0.02 * rng.uniform(0.2, 1, energy[:, :, :12].shape)  # a quarter of the picture
    steady = energy.copy()
    steady[:, :, :12] = 30 * rng.uniform(0.8, 1, energy[:, :, :12].shape)
    for one in (energy, steady):
        assert set(np.flatnonzero(np.isfinite(standstills(one)))) == set(range(15, 24))


def test_forty_places_in_focus_are_enough():
    for places, told in ((48 * 64, True), (600, True), (60, False)):  # of which about a tenth is in focus at a time
        energy = energy_of(steps_that_stand(slice(15, 24))).reshape(FRAMES, 3, 1, -1)[..., :places]
        assert bool(np.isfinite(standstills(energy)[15:24]).all()) == told


def test_noise_missing_frames_and_few_frames_tell_nothing():
    noise = np.random.default_rng(2).gamma(50, size=(FRAMES, 3, 48, 64))
    assert np.isnan(standstills(noise)).all()
    some = energy_of(steps_that_stand(slice(20, None)))
    some[25] = np.nan
    assert set(np.flatnonzero(np.isfinite(standstills(some)))) == {*range(20, 24), *range(26, 39)}
    assert np.isnan(standstills(np.full_like(some, np.nan))).all()
    assert len(standstills(some[16:24])) == 7
    assert np.isnan(standstills(some[16:24])).all()
    assert standstills(some[:0]).shape == (0,)


def test_the_rest_is_told_as_if_the_plan_knew():
    steps = steps_that_stand(slice(15, 22))
    steps[30] = 2.0  # a gap, besides
    energy, planned_um = energy_of(steps), np.arange(FRAMES) * STEP_UM
    found = planes_of_run(energy, planned_um, BELL.curve((192, 256)), standstills(energy))
    assert len(found.steps) == FRAMES - 1
    assert [k for k, step in enumerate(found.steps) if step.off] == [*range(15, 22), 30]
    assert all(found.steps[k].ratio == 0 and found.steps[k].standard_error < 0.2 for k in range(15, 22))
    assert found.steps[30].ratio == pytest.approx(2, abs=0.1)
    assert found.steps[22].ratio == pytest.approx(1, abs=0.1)  # from where it stood to where it went on
    assert np.ptp(found.plane_um[15:23]) == 0
    softened = energy.copy()
    softened[35, 0] *= 0.3
    soft = planes_of_run(softened, planned_um, BELL.curve((192, 256)), standstills(softened))
    assert soft.soft == (35,)


def test_where_it_stands_from_the_start_the_rest_has_its_reason():
    energy = energy_of(steps_that_stand(slice(3, None)))
    still_ones = np.full(FRAMES - 1, np.nan)
    still_ones[3:] = 0.1
    found = planes_of_run(energy, np.arange(FRAMES) * STEP_UM, BELL.curve((192, 256)), still_ones)
    assert all(step.reason == "fewer than 8 frames can be looked into" for step in found.steps[:3])
    assert all(step.ratio == 0 for step in found.steps[3:])


def test_a_run_without_a_standstill_is_told_as_it_is_and_steps_beside_one_that_cannot_be_told_say_why():
    energy, planned_um = energy_of(np.ones(FRAMES - 1)), np.arange(FRAMES) * STEP_UM
    curve = BELL.curve((192, 256))
    nothing = np.full(FRAMES - 1, np.nan)
    assert all(
        step.ratio == pytest.approx(1, abs=0.15) for step in planes_of_run(energy, planned_um, curve, nothing).steps
    )
    steps = steps_that_stand(slice(30, None))
    energy = energy_of(steps)
    # the last step before it stands is told, those at which it stands too; none is left without a word
    found = planes_of_run(energy, planned_um, curve, np.where(steps == 0, 0.1, np.nan))
    assert all((step.ratio is None) == (step.reason is not None) for step in found.steps)


def depths(*stood, off=()):
    """Twelve frames; some pairs show one plane."""
    pairs = [
        Between(frames=pair, step=Step(ratio=0.0 if pair[0] in stood else 1.5 if pair[0] in off else 1.0))
        for pair in pairwise(range(1, 13))
    ]
    return Depths(between=tuple(replace(one, step=replace(one.step, standard_error=0.03)) for one in pairs))


def looked(told):
    return Looked(files=(dict.fromkeys(range(1, 13), "x"),), light=(Light(),), depths=told)


def test_a_standstill_is_three_frames_or_more_and_all_from_there_on_is_taken_again():
    assert depths(5).standstills == ()
    assert depths(5, 6).standstills == ((5, 6, 7),)
    assert depths(2, 3, 8, 9, 10).standstills == ((2, 3, 4), (8, 9, 10, 11))
    assert looked(depths(5)).to_take_again == ()
    assert looked(depths(5, 6)).to_take_again == tuple(range(5, 13))  # how far it came afterwards nobody knows
    text = str(looked_facts(looked(depths(5, 6, 7, 10))))
    assert "frames 6-8 are as frame 5: the plane of focus stood still" in text
    assert "frame 11 is as frame 10" in text
    assert "frame 6 is as" not in text
    assert "find its place anew" in text  # what it counts now is not where it is
    assert "anew" not in str(looked_facts(looked(depths(off=(5,)))))


@pytest.mark.parametrize("reverse", [False, True])
def test_in_whatever_order_the_frames_were_shot(reverse):
    planes = np.minimum(np.arange(20), 11) if not reverse else np.maximum(19 - np.arange(20), 8)
    seen = dict(enumerate(seen_of(planes * STEP_UM), start=1))
    focus_um = {n: (20 - n if reverse else n - 1) * STEP_UM for n in seen}
    found = depths_of(focus_um, seen, (), BELL)
    assert found.standstills == (tuple(range(12, 21)),)
    assert found.ends.short == (20,)  # what it did not reach shows at its last frame


@pytest.mark.campaign
def test_rendered_stacks():
    """No standstill where there is none, whatever the scene; where there is one, found wherever steps can be told."""
    wrong, found, stood = [], 0, 0
    for i, scene in enumerate(SCENES):
        for j, rig in enumerate(RIGS):
            moved = shot(scene, rig, 61, shape=(240, 368))
            if np.isfinite(standstills(moved.energy)).any():
                wrong.append((scene, rig))
            if scene in TEXTURED and rig != "half":
                stands = slice(*[(10, None), (18, None), (8, 16)][(i + j) % 3])
                stack = shot(scene, rig, 62, shape=(240, 368), stands=stands)
                at = np.flatnonzero(np.isfinite(standstills(stack.energy)))
                true = set(range(*stands.indices(27)))
                if set(at) - true:
                    wrong.append((scene, rig, stands, sorted(set(at) - true)))
                found += len(true & set(at.tolist()))
                stood += len(true)
    print(f"\nstill found {found} of {stood} steps; false: {wrong}")
    assert wrong == []
    assert found >= 0.8 * stood
