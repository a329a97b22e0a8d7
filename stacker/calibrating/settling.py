"""How long a rail shakes after a move: from readings at growing delays, each of another move."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.calibrating.estimate import Estimate

FloatArray = NDArray[np.float64]

FEWEST_DELAYS = 20

_PHASES = 24
_COSINES = np.cos((np.arange(_PHASES) + 0.5) * np.pi / _PHASES)
_UNSURE = 0.15  # of the swing: dying away is not quite exponential; also wider than the phases' spacing
_STARTS, _RATIOS = (0.05, 0.2, 0.4, 0.6, 0.75, 0.9), (1.5, 2.0, 3.0, 5.0)
_CLEAR = 8.0  # twice the gain in log likelihood: two parameters reach that by chance in 2 % of cases (chi squared)
_NUDGE = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class Settling:
    """What shaking after a move was seen.

    Parameters
    ----------
    settle_s : Estimate or None
        After how long the swing is smaller than allowed [s]; None where no shaking was seen.
    delay_s, away_um : ndarray, shape (n,)
        The readings: delays [s], and how far from rest the target was seen then [um].
    """

    settle_s: Estimate | None
    delay_s: FloatArray
    away_um: FloatArray

    @property
    def soonest_s(self) -> float:
        """The shortest delay that was looked at [s]."""
        return float(self.delay_s.min())

    @property
    def latest_s(self) -> float:
        """The longest [s]."""
        return float(self.delay_s.max())


def fit_settling(delay_s: FloatArray, away_um: FloatArray, *, scatter_um: Estimate, still_um: float) -> Settling:
    """Find when the swing after a move falls below what is allowed.

    Parameters
    ----------
    delay_s : ndarray, shape (n,)
        From arrival to exposure, all different [s].
    away_um : ndarray, shape (n,)
        How far from its place at rest the target was seen then [um].
    scatter_um : Estimate
        Standard deviation of such a reading at rest [um].
    still_um : float
        What the swing (amplitude) may still be [um].

    Notes
    -----
    A swing of amplitude a(t) = still exp((T - t)/tau), seen at a phase that nobody knows, evenly spread, with the
    scatter of a reading at rest: T, tau and that scatter of the largest likelihood, the standard error of T from its
    curvature. An error that creeps to zero without swinging is at its full amplitude each time, and comes out alike.
    """
    soonest, latest = float(delay_s.min()), float(delay_s.max())

    def loss(at: Sequence[float] | FloatArray) -> float:
        settle_s, log_tau, log_share = at
        swing = still_um * np.exp(np.clip((settle_s - delay_s) / math.exp(log_tau), -50, 20))
        return _loss(away_um, swing, scatter_um.value * math.exp(log_share)) + _prior(log_share, scatter_um.freedom)

    starts = [(place * latest, math.log(place * latest / ratio), 0.0) for place in _STARTS for ratio in _RATIOS]
    found = _lowest(loss, min(starts, key=loss))
    still = _lowest(lambda at: loss((-latest, math.log(latest / 50), at[0])), (0.0,))
    gain = 2 * (loss((-latest, math.log(latest / 50), still[0])) - loss(found))
    if gain < _CLEAR or found[0] <= soonest:
        return Settling(settle_s=None, delay_s=delay_s, away_um=away_um)
    settle_s = Estimate(value=float(found[0]), standard_error=_error(loss, found), freedom=float(len(delay_s) - 2))
    return Settling(settle_s=settle_s, delay_s=delay_s, away_um=away_um)


def _prior(log_share: float, freedom: float) -> float:
    """What the readings at rest say of a scatter other than theirs: a chi squared, as negative log likelihood."""
    return freedom * (log_share + math.exp(-2 * log_share) / 2)


def _loss(away_um: FloatArray, swing_um: FloatArray, scatter_um: float) -> float:
    """Negative log likelihood, but for a constant."""
    width = np.hypot(scatter_um, _UNSURE * swing_um)
    away = (away_um[:, None] - swing_um[:, None] * _COSINES) / width[:, None]
    nearest = np.min(away**2, axis=1)
    density = np.exp((nearest[:, None] - away**2) / 2).mean(axis=1)
    return float(np.sum(np.log(width) + nearest / 2 - np.log(density)))


def _lowest(loss: Callable[[FloatArray], float], start: Sequence[float]) -> FloatArray:
    from scipy.optimize import minimize

    found: FloatArray = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-5}).x
    return found


def _error(loss: Callable[[FloatArray], float], best: FloatArray) -> float:
    """Standard error of the settling time: the curvature of the loss over all parameters, inverted."""
    nudges = np.diag([_NUDGE * best[0], _NUDGE, _NUDGE])
    curvature = np.empty((3, 3))
    for i, j in np.ndindex(3, 3):
        up, left = nudges[i], nudges[j]
        corners = loss(best + up + left) - loss(best + up - left) - loss(best - up + left) + loss(best - up - left)
        curvature[i, j] = corners / (4 * nudges[i, i] * nudges[j, j])
    return math.sqrt(max(0.0, float(np.linalg.pinv(curvature)[0, 0])))
