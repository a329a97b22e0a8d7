"""Single steps without what was taken for granted of them: by dense normal equations, and as a table."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking.fields import Fields
from stacker.looking.plane_fit import Linear, Model
from stacker.looking.steps import Step, _without_prior, told_steps

FRAMES = 14


@pytest.mark.parametrize(
    ("ratio", "error", "off"),
    [
        (1.0, 0.01, False),
        (1.24, 0.01, False),  # a quarter at least
        (1.26, 0.01, True),
        (0.74, 0.01, True),
        (1.4, 0.08, True),  # five standard errors
        (1.4, 0.095, False),  # four
        (2.4, 0.45, True),  # of more than two steps three are enough
        (2.4, 0.48, False),
        (1.99, 0.3, False),
        (-1.0, 0.3, True),
        (None, None, False),
    ],
)
def test_a_step_is_off_by_a_quarter_and_by_so_many_of_its_errors(ratio, error, off):
    assert Step(ratio=ratio, standard_error=error).off is off


def made(seed=51, weight=1.0):
    """Normal equations of planes and gains with priors on steps, as a fit leaves them."""
    rng = np.random.default_rng(seed)
    at = np.concatenate([np.arange(8.0), 7 + 0.6 * np.arange(1, 7)])
    planned = np.diff(at)
    plane = at + rng.normal(0, 0.05, FRAMES)
    scores = rng.normal(size=(40, 2 * FRAMES)) * np.append(np.full(FRAMES, 6.0), np.full(FRAMES, 2.0))
    step_weight = weight * rng.uniform(20, 70, FRAMES - 1)
    difference = np.zeros((FRAMES - 1, 2 * FRAMES))
    for k in range(FRAMES - 1):
        difference[k, k], difference[k, k + 1] = -1 / planned[k], 1 / planned[k]
    prior = difference.T @ np.diag(step_weight) @ difference
    prior[FRAMES:, FRAMES:] += np.eye(FRAMES) * 100
    data = rng.normal(size=(60, 2 * FRAMES)) * 3
    information = data.T @ data + prior
    return at, plane, Linear(information=information, prior=prior, scores=scores, step_weight=step_weight), difference


@pytest.mark.parametrize(("k", "longer"), [(0, 0.0), (3, 0.0), (7, 0.0), (12, 0.0), (5, 1.7), (5, -0.9)])
def test_a_step_without_its_prior_is_the_fit_without_that_row(k, longer):
    at, plane, linear, difference = made()
    plane[k + 1 :] += longer
    planned = np.diff(at)
    ratio, error = _without_prior(
        k, plane, planned, linear, np.linalg.inv(linear.information), linear.scores.T @ linear.scores
    )
    # the fit without that row, from scratch: at the fit all pulls are level, so this one's alone is what is missing
    information = linear.information - linear.step_weight[k] * np.outer(difference[k], difference[k])
    pull = linear.step_weight[k] * (difference[k, :FRAMES] @ plane - 1)
    moved = plane + np.linalg.solve(information, difference[k] * pull)[:FRAMES]
    near = [j for j in range(max(0, k - 5), min(FRAMES - 1, k + 6)) if j != k]
    weight = linear.step_weight[near] / linear.step_weight[near].sum()

    def told(planes):
        ratios = np.diff(planes) / planned
        return ratios[k] / (weight @ ratios[near])

    assert ratio == pytest.approx(told(moved), rel=1e-9)
    # its error: how it changes with each plane, by differences, and what the planes' own covariances are
    change = np.zeros(2 * FRAMES)
    for j in range(FRAMES):
        unit = np.zeros(FRAMES)
        unit[j] = 1e-6
        change[j] = (told(moved + unit) - told(moved - unit)) / 2e-6
    without = np.linalg.inv(information)
    by_weights = change @ without @ change
    left = (
        linear.scores.T @ linear.scores + linear.prior - linear.step_weight[k] * np.outer(difference[k], difference[k])
    )
    by_scatter = change @ without @ left @ without @ change
    floor = 0.028 * max(1, ratio) + 0.5 * max(0, ratio - 2)
    assert error == pytest.approx(np.hypot(1.4 * np.sqrt(max(by_weights, by_scatter)), floor), rel=1e-5)


def test_what_is_known_by_nothing_but_the_plan_is_not_known():
    """A frame of which the pictures tell nothing: its steps are what was taken for granted."""
    at, plane, linear, difference = made(weight=1e4)
    alone = difference.T @ np.diag(linear.step_weight) @ difference + 1e-6 * np.eye(2 * FRAMES)
    bare = Linear(information=alone, prior=alone, scores=linear.scores, step_weight=linear.step_weight)
    ratio, error = _without_prior(4, plane, np.diff(at), bare, np.linalg.inv(alone), np.zeros((28, 28)))
    assert (ratio, error) == (1.0, np.inf)


def fields_at(depth) -> tuple[Fields, Model]:
    count = len(depth)
    fields = Fields(
        energy=np.ones((FRAMES, count)),
        place=np.arange(count),
        band=np.zeros(count, int),
        depth=np.asarray(depth, float),
        log_width=np.zeros(count),
        likeness=np.ones(count),
    )
    at, plane, _, _ = made()
    nothing = np.zeros(count)
    model = Model(
        plane=at + 0 * plane, log_gain=np.zeros(FRAMES), depth=fields.depth, log_width=nothing, peak=nothing,
        floor=nothing, misfit=nothing,
    )  # fmt: skip
    return fields, model


def certain(times=1e6):
    """Planes that the pictures tell to a thousandth."""
    _, _, linear, _ = made()
    return Linear(
        information=linear.prior + times * np.eye(2 * FRAMES),
        prior=linear.prior,
        scores=np.zeros((1, 2 * FRAMES)),
        step_weight=linear.step_weight,
    )


def test_a_step_is_told_where_six_places_are_sharp_within_a_step_and_a_half():
    at, _, _, _ = made()
    # frames 2 and 3 are 2 and 3 steps deep: their middle is 2.5, and 1.0 and 4.0 lie a step and a half away
    for depth, told in (
        ([1.05, 3.9, 2, 2, 3, 3], True),
        ([0.95, 3.9, 2, 2, 3, 3], False),
        ([1.05, 4.05, 2, 2, 3, 3], False),
        ([2.5] * 5, False),
    ):
        fields, model = fields_at(depth)
        step = told_steps(fields, model, certain(), at)[2]
        assert (step.reason is None) == told
        assert told or step.reason == "too few fields are in focus there"
    fields, model = fields_at([2.5] * 6)
    one_place = Fields(
        energy=fields.energy, place=np.zeros(6, int), band=np.arange(6) % 3, depth=fields.depth,
        log_width=fields.log_width, likeness=fields.likeness,
    )  # fmt: skip
    assert told_steps(one_place, model, certain(), at)[2].reason == "too few fields are in focus there"
    wide, model = fields_at([1.2] * 6)
    model.plane = np.where(np.arange(FRAMES) > 2, model.plane + 3, model.plane)  # a step of four reaches to both sides
    assert told_steps(wide, model, certain(), at)[2].reason != "too few fields are in focus there"


def test_an_uncertain_step_is_told_where_it_is_surely_off():
    at, _, _, _ = made()
    fields, model = fields_at(np.repeat(np.arange(13) + 0.5, 12))
    normal = told_steps(fields, model, certain(), at)
    assert len(normal) == FRAMES - 1
    assert all(step.ratio == pytest.approx(1, abs=1e-3) for step in normal)
    assert all(step.standard_error == pytest.approx(0.028, abs=2e-3) for step in normal)
    vague = told_steps(fields, model, certain(150.0), at)
    assert {step.reason for step in vague} == {"the fields that are in focus there leave it too uncertain"}
    gap = fields_at(np.repeat(np.arange(13) + 0.5, 12))[1]
    gap.plane = np.where(np.arange(FRAMES) > 4, gap.plane + 1.0, gap.plane)
    told = told_steps(fields, gap, certain(700.0), at)
    assert told[4].off
    assert told[4].ratio == pytest.approx(2, abs=0.3)  # what the plan had pulled is given back
    assert told[4].standard_error > 0.075
    assert told[1].ratio is None or told[1].standard_error < 0.075
    doubtful = fields_at(np.repeat(np.arange(13) + 0.5, 12))[1]
    doubtful.plane = np.where(np.arange(FRAMES) > 4, doubtful.plane + 0.26, doubtful.plane)
    between = told_steps(fields, doubtful, certain(1700.0), at)[4]  # more than a quarter off, by less than 4.5 errors
    assert between.reason == "the fields that are in focus there leave it too uncertain"
