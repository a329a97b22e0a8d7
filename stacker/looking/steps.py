"""Steps between planes of focus, each told beside those around it and without having been taken for the planned one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stacker.looking.fields import Fields
from stacker.looking.plane_fit import Linear, Model
from stacker.looking.through_focus import FloatArray

_FEWEST_NEAR = 6  # places sharpest within a step and a half of a step's middle
_MOST_ERROR = 0.075  # of a step: then 0.15 is two standard errors
_ERROR_FACTOR, _ERROR_FLOOR = 1.4, 0.028  # by rendering: what the places' scatter does not show
_BRIDGED, _BEYOND = 2.0, 0.5  # fields hardly bridge a longer step: it comes out too short, by rendering
_LEAST_OFF, _SURELY, _DOUBT = 0.25, 4.5, 3.0
"""A step is off by so much, and by so many standard errors, before it is called off: of 5,400 rendered steps three
errors called 4 off that were not, four and a half 2. One of more than two steps needs three: what its error adds says
that it comes out short."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """From one frame to the next.

    Parameters
    ----------
    ratio : float or None
        Of the planned step, beside those around it; None where it cannot be told [-].
    standard_error : float or None
        Its own.
    reason : str or None
        Why it cannot be told, in words that go on after "cannot tell, because".
    """

    ratio: float | None = None
    standard_error: float | None = None
    reason: str | None = None

    @property
    def off(self) -> bool:
        """Whether it is surely another step than the planned one."""
        if self.ratio is None or self.standard_error is None:
            return False
        surely = _SURELY if self.ratio < _BRIDGED else _DOUBT
        return abs(self.ratio - 1) > max(_LEAST_OFF, surely * self.standard_error)


def told_steps(fields: Fields, model: Model, linear: Linear, at: FloatArray) -> list[Step]:
    """Each step without the prior that took it for the planned one, or why it cannot be told."""
    frames = len(at)
    planned = np.diff(at)
    covariance = np.linalg.inv(linear.information + 1e-9 * np.eye(2 * frames)).astype(np.float64)
    scatter = linear.scores.T @ linear.scores
    told = []
    for k in range(frames - 1):
        middle = (model.plane[k] + model.plane[k + 1]) / 2
        reach = max(1.5, (model.plane[k + 1] - model.plane[k]) / 2 + 1)
        near = np.abs(model.depth - middle) < reach
        if len(np.unique(fields.place[near])) < _FEWEST_NEAR:
            told.append(Step(reason="too few fields are in focus there"))
            continue
        ratio, error = _without_prior(k, model.plane, planned, linear, covariance, scatter)
        step, away = Step(ratio=ratio, standard_error=error), abs(ratio - 1)
        # an uncertain step that is surely off is told all the same: a gap widens its own error
        uncertain = error >= _MOST_ERROR and away <= _LEAST_OFF + _DOUBT * error
        if uncertain or (away > _LEAST_OFF and not step.off):
            told.append(Step(reason="the fields that are in focus there leave it too uncertain"))
        else:
            told.append(step)
    return told


def _without_prior(
    k: int, plane: FloatArray, planned: FloatArray, linear: Linear, covariance: FloatArray, scatter: FloatArray
) -> tuple[float, float]:
    """Ratio of one step and its standard error.

    Notes
    -----
    A prior of one step is one row of the normal equations. Taking it away is an update of rank one (Sherman and
    Morrison), which shifts all planes by what it had pulled. The ratio is to the mean of five steps either way, and so
    the error is that of the two together. It is the larger one of what the weights say and of what the scatter of the
    places says.
    """
    count = len(planned)
    row = np.zeros(len(covariance))
    row[k], row[k + 1] = -1 / planned[k], 1 / planned[k]
    held = linear.step_weight[k]
    swung = covariance @ row
    left = 1 - held * float(row @ swung)
    if left < 0.02:  # all that is known of the step is what was taken for granted
        return 1.0, np.inf
    without = covariance + np.outer(swung, swung) * held / left
    shift = without @ row * (held * float(row[: count + 1] @ plane - 1))
    ratios = np.diff(plane + shift[: count + 1]) / planned
    near = np.array([j for j in range(max(0, k - 5), min(count, k + 6)) if j != k])
    weight = linear.step_weight[near] / linear.step_weight[near].sum()
    around = float(weight @ ratios[near])
    ratio = float(ratios[k]) / around
    change = row.copy()
    for j, one in zip(near, weight, strict=True):
        change[j] += ratio * one / planned[j]
        change[j + 1] -= ratio * one / planned[j]
    change /= around
    by_weights = float(change @ without @ change)
    pulled = without @ change
    by_scatter = float(pulled @ (scatter + linear.prior - held * np.outer(row, row)) @ pulled)
    error = _ERROR_FACTOR * np.sqrt(max(by_weights, by_scatter, 0.0))
    floor = _ERROR_FLOOR * max(1.0, ratio) + _BEYOND * max(0.0, ratio - _BRIDGED)
    return ratio, float(np.hypot(error, floor))
