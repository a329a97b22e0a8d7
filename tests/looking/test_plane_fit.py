"""The joint fit against the same done plainly: all unknowns at once, derivatives by differences, sums by loops."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking import plane_fit
from stacker.looking.fields import Fields
from stacker.looking.plane_fit import Model, fine_losses, fit_planes
from stacker.looking.through_focus import band_curves
from stacker.pixels.energy import BANDS

FRAMES, COUNT = 12, 30
TAIL, STEP_SPREAD, GAIN_SPREAD = 2.0, 0.12, 0.1  # what is taken for granted, as the module says it


def bell(displacement_um, per_px):
    """A made-up lens: fine detail falls sooner."""
    return np.exp(-((displacement_um * (1 + per_px) / 180) ** 2))


CURVES = band_curves(bell, 100.0)


def model_of(rng, at, count=COUNT) -> Model:
    return Model(
        plane=at + rng.normal(0, 0.1, len(at)),
        log_gain=rng.normal(0, 0.05, len(at)),
        depth=rng.uniform(0.5, at[-1] - 0.5, count),
        log_width=rng.normal(0.1, 0.2, count),
        peak=rng.uniform(0.6, 1.0, count),
        floor=rng.uniform(0, 0.2, count),
        misfit=np.full(count, 0.05),
    )


def expected(model: Model, band) -> np.ndarray:
    """gain (floor + peak S((plane - depth) / width)), frame by frame and field by field."""
    made = np.empty((len(model.plane), len(model.depth)))
    for i, t in np.ndindex(made.shape):
        x = (model.plane[i] - model.depth[t]) / np.exp(model.log_width[t])
        share = np.interp(abs(x), np.arange(0, 40.0125, 0.025), CURVES[band[t]].share)
        made[i, t] = np.exp(model.log_gain[i]) * (model.floor[t] + model.peak[t] * share)
    return made


def fields_with(energy, model: Model, band) -> Fields:
    return Fields(
        energy=energy,
        place=np.arange(len(band)) // 2,  # two bands of one tile now and then
        band=band,
        depth=model.depth.copy(),
        log_width=model.log_width.copy(),
        likeness=np.ones(len(band)),
    )


def copied(model: Model) -> Model:
    return Model(**{name: getattr(model, name).copy() for name in Model.__dataclass_fields__})


@pytest.fixture
def case():
    rng = np.random.default_rng(31)
    at = np.concatenate([np.arange(6.0), 5 + 0.7 * np.arange(1, 7)])  # not all planned steps are alike
    model, band = model_of(rng, at), rng.integers(0, BANDS, COUNT)
    energy = expected(model, band) + 0.03 * rng.normal(size=(FRAMES, COUNT))
    energy[3, 5] += 0.5  # one place where something shines in
    return at, model, fields_with(energy, model, band)


def near(model: Model, band) -> np.ndarray:
    """Frames that count: within the curve's reach and a step, or three steps."""
    reach = np.array([CURVES[one].reach for one in band]) * np.exp(model.log_width) + 1
    return np.abs(model.plane[:, None] - model.depth) < np.maximum(reach, 3)


def test_weights_fall_with_what_is_left_over(case):
    _, model, fields = case
    before = model.misfit.copy()
    weighed = plane_fit._weighed(fields, model, CURVES)
    counts = near(model, fields.band)
    residual = fields.energy - expected(model, fields.band)
    np.testing.assert_allclose(weighed.residual, residual, atol=1e-9)
    for t in range(COUNT):
        mine = counts[:, t]
        held = np.minimum(np.abs(residual[mine, t]), 3 * before[t])
        misfit = max(np.sqrt(np.sum(held**2) / max(mine.sum() - 4, 1)), 0.02 * model.peak[t] + 1e-6)
        assert model.misfit[t] == pytest.approx(misfit, rel=1e-9)
        weight = np.where(mine, 1 / (1 + (residual[:, t] / (TAIL * misfit)) ** 2) / misfit**2, 0)
        np.testing.assert_allclose(weighed.weight[:, t], weight, rtol=1e-9)


def test_a_band_s_odd_widths_are_pulled_to_its_middle_one_and_far_ones_less(case):
    _, model, fields = case
    model.log_width[4] += 3.0
    off, weight = plane_fit._width_prior(fields, model)
    for band in range(BANDS):
        some = fields.band == band
        away = model.log_width[some] - np.median(model.log_width[some])
        spread = min(max(1.48 * np.median(np.abs(away)), 0.05), 0.4)
        np.testing.assert_allclose(off[some], away)
        np.testing.assert_allclose(weight[some], 1 / (spread**2 + (away / TAIL) ** 2))
    assert weight[4] < 0.05 * np.median(weight)
    lone = fields.part(np.flatnonzero(fields.band == 1))
    model_of_lone = copied(model)
    model_of_lone.depth, model_of_lone.log_width = lone.depth, lone.log_width
    off, weight = plane_fit._width_prior(lone, model_of_lone)  # no field of the others
    assert len(off) == len(weight) == len(lone.depth)


def penalty(plane, log_gain, at):
    """Of steps that are not the planned ones, of gains that are not one: far off it grows by the logarithm."""
    off = np.diff(plane) / np.diff(at) - 1
    steps = TAIL**2 / 2 * np.log1p((off / (TAIL * STEP_SPREAD)) ** 2)
    return steps.sum() + (log_gain**2).sum() / (2 * GAIN_SPREAD**2)


def test_what_is_taken_for_granted_pulls_by_the_slope_of_its_penalty(case):
    at, model, _ = case
    prior, pull, weight = plane_fit._frame_prior(model, at)
    place = np.concatenate([model.plane, model.log_gain])
    slopes = []
    for k in range(2 * FRAMES):
        step = np.zeros(2 * FRAMES)
        step[k] = 1e-5
        ends = [penalty(*np.split(place + sign * step, 2), at) for sign in (1, -1)]
        slopes.append((ends[0] - ends[1]) / 2e-5)
    np.testing.assert_allclose(pull, slopes, rtol=1e-5, atol=1e-6)
    off = np.diff(model.plane) / np.diff(at) - 1
    np.testing.assert_allclose(weight, 1 / (STEP_SPREAD**2 + (off / TAIL) ** 2))
    full = np.zeros((2 * FRAMES, 2 * FRAMES))
    for k in range(FRAMES - 1):
        row = np.zeros(2 * FRAMES)
        row[k], row[k + 1] = -1 / (at[k + 1] - at[k]), 1 / (at[k + 1] - at[k])
        full += weight[k] * np.outer(row, row)
    full[:FRAMES, :FRAMES] += 1e-3 / FRAMES  # a trifle that keeps the middle where it is
    full[FRAMES:, FRAMES:] += np.eye(FRAMES) / GAIN_SPREAD**2
    np.testing.assert_allclose(prior, full, atol=1e-9)


UNKNOWNS = ("depth", "log_width", "peak", "floor")


def jacobian(model: Model, band):
    """Of all expected energies by all unknowns, by differences: planes, gains, then each field's four."""
    columns = [_change(model, band, name, k) for name in ("plane", "log_gain") for k in range(FRAMES)]
    for t in range(len(band)):
        columns += [_change(model, band, name, t) for name in UNKNOWNS]
    return np.stack(columns, axis=-1)


def _change(model, band, name, k, step=1e-4):
    ends = []
    for sign in (1, -1):
        moved = copied(model)
        getattr(moved, name)[k] += sign * step
        ends.append(expected(moved, band))
    return (ends[0] - ends[1]) / (2 * step)


def dense(model, fields, at, weighed, damping):
    """The normal equations with nothing eliminated."""
    by = jacobian(model, fields.band).reshape(-1, 2 * FRAMES + 4 * COUNT)
    weight = weighed.weight.ravel()
    normal, right = by.T @ (weight[:, None] * by), by.T @ (weight * weighed.residual.ravel())
    prior, pull, _ = plane_fit._frame_prior(model, at)
    i, width = 2 * FRAMES, 2 * FRAMES + 4 * np.arange(COUNT) + 1
    normal[width, width] += weighed.width_weight
    right[width] -= weighed.width_weight * weighed.width_pull
    normal[:i, :i] += prior
    right[:i] -= pull
    own = np.arange(i, len(normal))
    normal[own, own] *= 1 + damping
    return normal, right


def test_one_step_is_that_of_all_unknowns_together(case):
    at, model, fields = case
    weighed = plane_fit._weighed(fields, model, CURVES)
    normal, right = dense(model, fields, at, weighed, 0.01)
    # the frames' own part is damped once the fields are eliminated
    own = slice(2 * FRAMES, None)
    inverse = np.linalg.inv(normal[own, own])
    schur = normal[: 2 * FRAMES, : 2 * FRAMES] - normal[: 2 * FRAMES, own] @ inverse @ normal[own, : 2 * FRAMES]
    schur += 0.01 * np.diag(np.diag(schur))
    frames = np.linalg.solve(schur, right[: 2 * FRAMES] - normal[: 2 * FRAMES, own] @ inverse @ right[own])
    rest = (inverse @ (right[own] - normal[own, : 2 * FRAMES] @ frames)).reshape(COUNT, 4)
    before = copied(model)
    plane_fit._moved(model, at, weighed, 0.01)
    # differences of a curve that is straight from point to point: a few thousandths
    assert np.abs(frames).max() < 0.5
    np.testing.assert_allclose(model.plane - before.plane, frames[:FRAMES], atol=2e-3)
    np.testing.assert_allclose(model.log_gain - before.log_gain, frames[FRAMES:], atol=2e-3)
    for k, (name, most) in enumerate(zip(UNKNOWNS, (0.7, 0.3, np.inf, np.inf), strict=True)):
        np.testing.assert_allclose(
            getattr(model, name) - getattr(before, name), np.clip(rest[:, k], -most, most), atol=5e-3
        )


def test_what_the_frames_are_known_by_is_what_the_fields_leave_of_it(case):
    at, model, fields = case
    weighed = plane_fit._weighed(fields, model, CURVES)
    linear = plane_fit._linear(model, fields, at, weighed)
    normal, _ = dense(model, fields, at, weighed, 1e-6)
    own = slice(2 * FRAMES, None)
    schur = normal[: 2 * FRAMES, : 2 * FRAMES] - normal[: 2 * FRAMES, own] @ np.linalg.solve(
        normal[own, own], normal[own, : 2 * FRAMES]
    )
    scale = np.sqrt(np.outer(np.diag(schur), np.diag(schur)))
    assert np.abs((linear.information - schur) / scale).max() < 0.01
    by = jacobian(model, fields.band)[..., : 2 * FRAMES]
    pulls = np.einsum("it,itk->tk", weighed.weight * weighed.residual, by)
    scores = np.stack([pulls[fields.place == place].sum(axis=0) for place in np.unique(fields.place)])
    np.testing.assert_allclose(linear.scores, scores, atol=0.02 * np.abs(scores).max())
    assert linear.step_weight.shape == (FRAMES - 1,)


def test_a_step_is_of_bounded_length(case):
    at, model, fields = case
    model.plane = model.plane + np.linspace(0, 3, FRAMES)
    model.log_gain = model.log_gain + 1.5
    model.depth, model.log_width = model.depth + 2.0, model.log_width - 0.9
    before = copied(model)
    plane_fit._moved(model, at, plane_fit._weighed(fields, model, CURVES), 1e-5)
    for name, most in (("plane", 0.5), ("log_gain", 0.3), ("depth", 0.7), ("log_width", 0.3)):
        change = np.abs(getattr(model, name) - getattr(before, name)).max()
        assert change <= most + 1e-12
    assert np.abs(model.log_gain - before.log_gain).max() == pytest.approx(0.3)
    model.log_width[:] = 1.79
    plane_fit._moved(model, at, plane_fit._weighed(fields, model, CURVES), 1e-5)
    assert model.log_width.max() <= 1.8
    assert model.log_width.min() >= -1.0


@pytest.mark.parametrize("stretch", [1.3, 0.8])
def test_taking_off_a_stretch_changes_no_energy(stretch):
    """Planes apart, depths apart and widths wider by one factor look the same."""
    rng = np.random.default_rng(33)
    at = np.arange(30.0)
    model, band = model_of(rng, at), rng.integers(0, BANDS, COUNT)
    model.plane = stretch * at
    model.depth = rng.uniform(-0.9, 29.9, COUNT)  # some before the first plane and behind the last
    model.depth, model.log_width = stretch * model.depth, model.log_width + np.log(stretch)
    energy = expected(model, band)
    plane_fit._unstretched(model, at)
    assert np.diff(model.plane) == pytest.approx(np.ones(29))
    assert model.plane.mean() == pytest.approx(at.mean())
    np.testing.assert_allclose(expected(model, band), energy, atol=1e-5)  # planes that meet are kept a millionth apart


def test_a_step_at_fault_is_no_stretch_and_a_slow_one_is():
    at = np.arange(40.0)
    model = model_of(np.random.default_rng(34), at)
    steps = np.ones(39)
    steps[[12, 13, 30]] = 2.0, 0.0, 1.6
    model.plane = np.concatenate([[0.0], np.cumsum(steps)])
    depth = model.depth.copy()
    plane_fit._unstretched(model, at)
    assert np.diff(model.plane) == pytest.approx(steps, abs=1e-9)
    assert np.ptp(model.depth - depth) < 1e-9  # moved as one
    slow = np.where(np.arange(39) < 20, 1.2, 0.9)
    model.plane = np.concatenate([[0.0], np.cumsum(slow)])
    plane_fit._unstretched(model, at)
    # where the two stretches meet it passes from the one to the other in some steps
    assert np.diff(model.plane)[[0, 5, 12, 27, 38]] == pytest.approx(np.ones(5), abs=1e-9)
    assert np.abs(np.diff(model.plane) - 1).max() < 0.2
    model.plane = np.concatenate([[0.0], np.cumsum(np.full(39, 5.0))])
    plane_fit._unstretched(model, at)
    assert np.diff(model.plane) == pytest.approx(np.full(39, 2.5))  # by two at most in one round


def test_peaks_and_floors_begin_with_those_of_a_straight_line(case):
    at, model, fields = case
    begun = plane_fit._begun(fields, at, CURVES)
    np.testing.assert_array_equal(begun.plane, at)
    assert not begun.log_gain.any()
    like = copied(begun)
    like.peak, like.floor = np.ones(COUNT), np.zeros(COUNT)
    share, counts = expected(like, fields.band), near(begun, fields.band)
    for t in range(COUNT):
        peak, floor = np.polyfit(share[counts[:, t], t], fields.energy[counts[:, t], t], 1)
        assert (begun.peak[t], begun.floor[t]) == pytest.approx((peak, floor), abs=1e-6)
    np.testing.assert_array_equal(begun.depth, model.depth)
    np.testing.assert_array_equal(begun.log_width, model.log_width)


def test_planes_gains_and_fields_are_found_again_without_noise():
    rng = np.random.default_rng(35)
    at = np.arange(FRAMES + 8.0)
    count = 400
    truth, band = model_of(rng, at, count), rng.integers(0, BANDS, count)
    steps = 1 + np.clip(rng.normal(0, 0.05, len(at) - 1), -0.1, 0.1)
    steps[9] = 1.7
    steps /= np.median(steps)
    truth.plane = np.concatenate([[0.0], np.cumsum(steps)])
    truth.log_gain = rng.normal(0, 0.03, len(at))
    fields = fields_with(expected(truth, band), truth, band)
    rough = Fields(
        energy=fields.energy, place=fields.place, band=band, likeness=fields.likeness,
        depth=np.round(fields.depth * 4) / 4, log_width=np.full(count, 0.1),
    )  # fmt: skip
    model, linear = fit_planes(rough, at, CURVES)
    # the mean of steps round about is set to the planned one, and the planned step pulls a little
    found = np.diff(model.plane)
    assert np.abs(found / np.median(found) - steps).max() < 0.04
    gains = model.log_gain - truth.log_gain
    assert np.ptp(gains) < 0.05
    assert np.median(model.misfit / model.peak) < 0.03
    assert linear.information.shape == (2 * len(at), 2 * len(at))


def test_fine_detail_that_a_frame_lacks_beside_coarse_is_told_by_its_logarithm():
    rng = np.random.default_rng(36)
    at = np.arange(20.0)
    count = 900
    model, band = model_of(rng, at, count), np.arange(count) % BANDS
    energy = expected(model, band)
    energy[7, band == 0] *= np.exp(-0.4)
    energy[12] *= np.exp(-0.7)  # less light takes all alike
    energy[15, band == 1] *= 0.5  # the middle band is not asked
    losses = fine_losses(fields_with(energy, model, band), model, CURVES)
    inner = slice(2, 18)
    expectation = np.where(np.arange(20) == 7, 0.4, 0.0)
    assert losses[inner] == pytest.approx(expectation[inner], abs=1e-6)
    few = fields_with(energy, model, band).part(np.arange(60))
    some = copied(model)
    for name in ("depth", "log_width", "peak", "floor", "misfit"):
        setattr(some, name, getattr(model, name)[:60])
    assert np.isnan(fine_losses(few, some, CURVES)).all()  # fewer than eight are sharp in any frame
