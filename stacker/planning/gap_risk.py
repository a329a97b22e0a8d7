"""How likely the scatter of a real rail opens a gap: a seam below the share of contrast that was asked for."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from stacker.errors import Refusal
from stacker.motion.step_grid import whole_down
from stacker.planning.focus_grid import FloatArray
from stacker.records import record

RISK_WORTH_A_WARNING = 0.001
LARGEST_OVERLAP = 0.7
"""Past this a steadier rail is better advice than yet more frames."""

_NEGLIGIBLE = 1e-9
_SAFE_SIGMAS = 9.0  # a tail of 1e-19: a million such pairs are still negligible
_PHASES = 64  # of a turn; see the test against a numerical integral
_FEW_PHASES, _HALVINGS = 8, 14  # for a softest seam that is told in whole per cent
_SAME_DEPTH = 1e-9  # relative: a plane laid on the depth to the last bit of a double touches the subject


def gap_risk(
    *,
    focus_um: FloatArray,
    dof_um: FloatArray,
    depth_um: float,
    repeatability_um: FloatArray | float | None,
    periodic_error_um: FloatArray | float = 0.0,
    screw_turns: FloatArray | None = None,
    joined: NDArray[np.bool_] | None = None,
) -> float | None:
    """Probability that at least one pair of neighbouring slices in the subject fails to meet.

    Parameters
    ----------
    focus_um : ndarray, shape (n,)
        Planes of focus in order of depth, 0 at the front, positive deeper [um].
    dof_um : ndarray, shape (n,)
        Depth of field of each frame at the contrast to be kept [um].
    depth_um : float
        Depth of the subject [um]. Pairs of planes that only lie outside of it do not count.
    repeatability_um : float, ndarray of shape (n,), or None
        Standard deviation of the position of each plane of focus [um]. That is the rail's own where the whole
        camera or subject moves, and the rail's over m^2, frame by frame, where the rear standard does.
    periodic_error_um : float or ndarray, shape (n,)
        Amplitude of the screw's periodic error at each plane of focus [um], scaled like the repeatability.
    screw_turns : ndarray, shape (n,), or None
        Rail position of each frame in turns of the screw [-]; needed with a periodic error.
    joined : ndarray of bool, shape (n - 1,), or None
        The pairs that are meant to meet; all where it is missing.

    Returns
    -------
    float or None
        0 below 1e-9; None where repeatability is not known.

    Notes
    -----
    The errors of two stops are independent and normal, so their distance scatters by sqrt(s_i^2 + s_(i+1)^2). The
    slices part when it grows by more than (dof_i + dof_(i+1))/2 - step_i:

        p_i = Q([(dof_i + dof_(i+1))/2 - step_i] / sqrt(s_i^2 + s_(i+1)^2)),    risk = 1 - product of (1 - p_i)

    with Q the upper tail of the normal distribution. Pairs that share a plane are treated as independent, which
    matters little as long as the risk is small.

    A screw errs by A_i sin(2 pi t_i + phi) at t_i turns, and where in its turn the stack begins (phi) is not known
    beforehand. Given phi, step i is longer by

        d_i = A_(i+1) sin(2 pi t_(i+1) + phi) - A_i sin(2 pi t_i + phi)

    (for one amplitude at most 2 A sin(pi (t_(i+1) - t_i)): nothing for whole turns, twice the amplitude for half
    turns), which takes as much off the room of p_i. The pairs are independent for a given phi alone, so the risk is
    the mean over phi of 1 - product of (1 - p_i); the mean is taken at equally spaced phases, which for a periodic
    function is the most exact rule there is.
    """
    if repeatability_um is None:
        return None
    touching = _touching(focus_um, depth_um, joined)
    room_um = _room_um(focus_um, dof_um)[touching]
    pair_um = _pair_um(focus_um, repeatability_um)[touching]
    longer_um = _periodic_lengthening(focus_um.shape, periodic_error_um, screw_turns)
    risks = [_risk(room_um - shift_um[touching], pair_um) for shift_um in longer_um]
    risk = math.fsum(risks) / len(risks)
    return risk if risk >= _NEGLIGIBLE else 0.0


@record
class SoftSeams:
    """What scatter does to a stack.

    Attributes
    ----------
    short : float
        Seams in the subject that fall short, on average.
    pairs : int
        Seams in the subject.
    worst_pair : int
        The nearer plane of the pair that comes to lie farthest apart, for the slices they have.
    worst_step_um : float
        How far apart its planes come to lie [um]: in half of all runs it is more.
    """

    short: float
    pairs: int
    worst_pair: int
    worst_step_um: float


def soft_seams(
    *,
    focus_um: FloatArray,
    dof_um: FloatArray,
    depth_um: float,
    repeatability_um: FloatArray | float,
    periodic_error_um: FloatArray | float = 0.0,
    screw_turns: FloatArray | None = None,
    joined: NDArray[np.bool_] | None = None,
) -> SoftSeams:
    """How many seams fall short, and how soft the softest gets; parameters as for `gap_risk`.

    Notes
    -----
    The mean number is the sum of p_i, for a screw the mean of that over its phases. The worst step is the one that no
    pair exceeds in half of all runs, in shares of the slices: the root of mean over phases of the product of
    1 - p_i = 1/2.
    """
    touching = _touching(focus_um, depth_um, joined)
    pairs = int(np.count_nonzero(touching))
    if not pairs:
        return SoftSeams(short=0.0, pairs=0, worst_pair=0, worst_step_um=0.0)
    pair_um = _pair_um(focus_um, repeatability_um)[touching]
    slices_um, steps_um = ((dof_um[1:] + dof_um[:-1]) / 2)[touching], np.diff(focus_um)[touching]
    longer_um = [one[touching] for one in _periodic_lengthening(focus_um.shape, periodic_error_um, screw_turns)]
    short = [_shares(slices_um - steps_um - shift_um, pair_um).sum() for shift_um in longer_um]
    few = longer_um[:: max(1, len(longer_um) // _FEW_PHASES)]

    def none_beyond(share: float) -> float:
        """Probability that no step is more than such a share of its slices."""
        kept = [1 - _risk(share * slices_um - steps_um - shift_um, pair_um) for shift_um in few]
        return sum(kept) / len(kept)

    most = (steps_um + np.max(longer_um, axis=0)) / slices_um
    low, high = (
        float((steps_um / slices_um).min()) / 2,
        float(most.max()) + _SAFE_SIGMAS * float((pair_um / slices_um).max()),
    )
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if none_beyond(middle) < 0.5 else (low, middle)
    worst = int(most.argmax())
    return SoftSeams(
        short=float(np.mean(short)),
        pairs=pairs,
        worst_pair=int(np.flatnonzero(touching)[worst]),
        worst_step_um=high * float(slices_um[worst]),
    )


def _touching(focus_um: FloatArray, depth_um: float, joined: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Which pairs of planes have a part of the subject between them."""
    slack_um = _SAME_DEPTH * depth_um
    touching: NDArray[np.bool_] = (focus_um[1:] >= -slack_um) & (focus_um[:-1] <= depth_um + slack_um)
    return touching if joined is None else touching & joined


def _room_um(focus_um: FloatArray, dof_um: FloatArray) -> FloatArray:
    """By how much each step may grow until the slices part."""
    room_um: FloatArray = (dof_um[1:] + dof_um[:-1]) / 2 - np.diff(focus_um)
    return room_um


def _pair_um(focus_um: FloatArray, repeatability_um: FloatArray | float) -> FloatArray:
    """Standard deviation of the distance of each pair of planes."""
    scatter_um = np.broadcast_to(np.asarray(repeatability_um, dtype=float), focus_um.shape)
    pair_um: FloatArray = np.hypot(scatter_um[1:], scatter_um[:-1])
    return pair_um


def _shares(room_um: FloatArray, pair_um: FloatArray) -> FloatArray:
    """Probability of each pair to have less than no room left."""
    with np.errstate(divide="ignore", invalid="ignore"):
        room_sigmas = np.where(pair_um > 0, room_um / pair_um, np.where(room_um < 0, -np.inf, np.inf))
    return normal_upper_tail(room_sigmas)


def _risk(room_um: FloatArray, pair_um: FloatArray) -> float:
    """Probability that some pair has less than no room left."""
    with np.errstate(divide="ignore", invalid="ignore"):
        room_sigmas = np.where(pair_um > 0, room_um / pair_um, np.where(room_um < 0, -np.inf, np.inf))
        risky = room_sigmas[room_sigmas < _SAFE_SIGMAS]
        return -math.expm1(float(np.sum(np.log1p(-normal_upper_tail(risky)))))


def _periodic_lengthening(
    shape: tuple[int, ...], amplitude_um: FloatArray | float, turns: FloatArray | None
) -> Iterator[FloatArray]:
    """By how much each step is longer than meant, for one phase of the screw after the other."""
    if turns is None or not np.any(amplitude_um):
        yield np.zeros(shape[0] - 1)
        return
    for phase in np.arange(_PHASES) / _PHASES:
        yield np.diff(amplitude_um * np.sin(2 * np.pi * (turns + phase)))


def normal_upper_tail(deviates: FloatArray) -> FloatArray:
    """Probability that a standard normal variable exceeds each value, to the last digits far into the tail.

    numpy has no error function and scipy takes longer to load than to plan a stack, so the standard library's is
    asked once for each distinct value: a stack of equal steps has very few.
    """
    distinct, which = np.unique(deviates, return_inverse=True)
    tails = np.array([0.5 * math.erfc(value / math.sqrt(2)) for value in distinct.tolist()])
    return tails[which].reshape(deviates.shape)


def overlap_that_holds(
    risk_at: Callable[[float], float | None],
    *,
    overlap: float,
    risk: float = RISK_WORTH_A_WARNING,
) -> float | None:
    """The smallest overlap, in hundredths, that brings the gap risk down to `risk`.

    Parameters
    ----------
    risk_at : callable
        Lays the planes again for an overlap and returns their `gap_risk`. A `Refusal` from it, as when a step gets
        too small for the rail, counts as out of reach.
    overlap : float
        The overlap that was not enough [-].
    risk : float
        The risk to be reached [-].

    Returns
    -------
    float or None
        None where not even `LARGEST_OVERLAP` would do. The value was tried, not extrapolated.
    """
    # A larger overlap lowers the risk, until the rail can no longer make the step: halve toward what comes first.
    too_little, candidate = whole_down(100 * overlap), whole_down(100 * LARGEST_OVERLAP) + 1
    best: float | None = None
    while candidate - too_little > 1:
        middle = (too_little + candidate) // 2
        try:
            found = risk_at(middle / 100)
        except Refusal:
            candidate = middle
            continue
        if found is not None and found <= risk:
            candidate, best = middle, middle / 100
        else:
            too_little = middle
    return best
