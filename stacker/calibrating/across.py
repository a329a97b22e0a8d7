"""A rail measured by a camera that looks across it: from where each picture shows the carriage to what it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.calibrating.estimate import Estimate, propagated, spread
from stacker.calibrating.readings import Readings
from stacker.calibrating.screw import Screw, fit_screw
from stacker.calibrating.settling import FEWEST_DELAYS, Settling, fit_settling
from stacker.documents.measuring_run import MeasureStop
from stacker.errors import Refusal

FULL_STEPS_A_CYCLE = 4
"""After so many a stepper motor is in the same electrical state: its own errors come back."""

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_FEWEST_REPEATS = 4  # a group
_HARMONICS = (1, 2, 4)  # of the cycle: offset and unequal currents; what a full step adds by itself
_FEWEST_SMALL_STEPS = 24
_WANDER = (
    3.2  # ranges of three means of five are wider once in a thousand runs (studentised range, 12 degrees of freedom)
)
_FOLLOWS = 0.2  # how far off the way seen may be from the way sent, as a share
_MOST_PLAY = 0.7  # of the way of a reversal
_SHAKES = 0.8  # of the longest delay


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What the pictures of a run say; columns of equal length n, NaN where a picture could not be read.

    Parameters
    ----------
    frame : tuple of int
        Number of each exposure, in the order of time.
    stop : tuple of MeasureStop
        What it was for.
    position_um : ndarray
        Where the rail was sent, by the lead of its profile [um].
    reversal_um : float
        How far a change of direction went [um]: the most backlash that can show.
    delay_s : ndarray
        From arrival to exposure, as it really was [s].
    seen_um : ndarray
        Where the picture shows the target [um].
    error_um : float
        Standard error of one of these [um].
    """

    frame: tuple[int, ...]
    stop: tuple[MeasureStop, ...]
    position_um: FloatArray
    reversal_um: float
    delay_s: FloatArray
    seen_um: FloatArray
    error_um: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RailFound:
    """A rail as the camera saw it.

    Parameters
    ----------
    screw : Screw
        As fitted, without the error of the scale; its scatter holds what else the screw does.
    lead_mm, periodic_um, backlash_um : Estimate
        With the error of the scale [mm, um, um].
    scale_error : float
        Standard error of the scale, as a share [-].
    repeatability_um : Estimate
        Standard deviation of where the same move ends [um], the reading's own error in it.
    microstep_um : Estimate or None
        How far a stop is off within an electrical cycle, root mean square [um]; None: not measured.
    settling : Settling or None
        None: not measured.
    lost : int
        Pictures that could not be read.
    """

    screw: Screw
    lead_mm: Estimate
    periodic_um: Estimate
    backlash_um: Estimate
    scale_error: float
    repeatability_um: Estimate
    microstep_um: Estimate | None
    settling: Settling | None
    lost: int

    @property
    def lead_error(self) -> float:
        """How far off the calibrated lead may still be [-]: two standard errors."""
        return math.hypot(self.screw.lead_error(), 2 * self.scale_error)


def seen_of(
    frames: Sequence[int],
    stops: Sequence[MeasureStop],
    delay_s: Sequence[float],
    seen_um: Sequence[float],
    *,
    origin: int,
    microstep_um: float,
    error_um: float,
) -> Seen:
    """Columns of a run from its stops, of which the journal counts the positions from `origin` [microsteps]."""
    back = min((abs(stop.position - stop.before) for stop in stops if stop.before is not None), default=0)
    return Seen(
        frame=tuple(frames),
        stop=tuple(stops),
        position_um=np.array([origin + stop.position for stop in stops]) * microstep_um,
        reversal_um=back * microstep_um,
        delay_s=np.array(delay_s),
        seen_um=np.array(seen_um),
        error_um=error_um,
    )


def measure_rail(seen: Seen, *, lead_mm: float, cycle_um: float, scale: Estimate, still_um: float | None) -> RailFound:
    """Everything that a measuring run tells.

    Parameters
    ----------
    seen : Seen
        The run.
    lead_mm : float
        Lead by which the positions were counted [mm].
    cycle_um : float
        Travel of an electrical cycle of the motor, four full steps [um].
    scale : Estimate
        Of the pictures [um a pixel]: `seen` was made with its value.
    still_um : float or None
        Swing that is allowed once the rail has settled [um]; None: the pictures do not show it.

    Raises
    ------
    Refusal
        When target or camera moved by themselves, the pictures do not follow the rail, or too little was measured.
    """
    good = np.isfinite(seen.seen_um)
    parts = np.array([stop.part for stop in seen.stop])
    _refuse_other_ways(seen, good & (parts == "screw"))
    homes = _groups(seen, good & (parts == "repeats"))
    home_um, scatter = _at_rest(homes, seen.error_um)
    screw = _screw(seen, good & (parts == "screw"), lead_mm)
    _refuse_much_play(screw.backlash_um, seen.reversal_um)
    relative = scale.standard_error / scale.value
    factor = Estimate(value=1.0, standard_error=relative, freedom=scale.freedom)
    lead, periodic, backlash = (
        propagated(lambda value, factor: value * factor, one, factor)
        for one in (screw.lead_mm, screw.periodic_um, screw.backlash_um)
    )
    return RailFound(
        screw=screw,
        lead_mm=lead,
        periodic_um=periodic,
        backlash_um=backlash,
        scale_error=relative,
        repeatability_um=scatter,
        microstep_um=_microsteps(seen, good & (parts == "microsteps"), cycle_um),
        settling=_settling(seen, good & (parts == "settling"), home_um, scatter, still_um),
        lost=int(np.count_nonzero(~good)),
    )


def _refuse_other_ways(seen: Seen, screw: BoolArray) -> None:
    """Refuse pictures that show another way than the rail was sent."""
    sent, shown = seen.position_um[screw], seen.seen_um[screw]
    slope = 0.0
    if len(sent) > 2 and np.ptp(sent):
        away = sent - sent.mean()
        slope = float(away @ shown / (away @ away))
    if abs(slope - 1) > _FOLLOWS:
        raise Refusal(
            f"the target moved {slope:.3g} times as far as the rail was sent: the scale is wrong (--line-mm, "
            "--um-per-pixel), the profile's lead or microsteps are, the camera does not look square across the rail, "
            "or these are pictures of another run",
            code="does_not_follow",
        )


def _groups(seen: Seen, repeats: BoolArray) -> list[FloatArray]:
    """Readings at the place that is visited again and again, visit by visit."""
    places = np.flatnonzero(repeats)
    visits = np.split(places, np.flatnonzero(np.diff([seen.frame[place] for place in places]) > 2) + 1)
    groups = [seen.seen_um[visit] for visit in visits]
    if len(groups) < 2 or min(len(group) for group in groups) < _FEWEST_REPEATS:
        raise Refusal(
            "too few pictures of the place that the run comes back to could be read: nobody could tell whether the "
            "camera stood still. Make the run again",
            code="few_repeats",
        )
    return groups


def _at_rest(groups: Sequence[FloatArray], error_um: float) -> tuple[float, Estimate]:
    """Where that place is seen, and the scatter of arrivals.

    Raises
    ------
    Refusal
        When it is seen elsewhere later on.
    """
    within = sum(float(np.sum((group - group.mean()) ** 2)) for group in groups)
    freedom = sum(len(group) - 1 for group in groups)
    scatter_um = math.sqrt(within / freedom)
    means = [float(group.mean()) for group in groups]
    wander_um = max(means) - min(means)
    if wander_um > _WANDER * math.hypot(scatter_um, error_um):
        raise Refusal(
            f"one and the same place of the rail is seen up to {wander_um:.2g} um elsewhere in the course of the run, "
            f"and its arrivals scatter by {scatter_um:.2g} um: camera, target or rail moved by themselves, or steps "
            "were lost. Fasten the camera, let it and the rail come to the warmth of the room, and make the run again",
            code="moved",
        )
    return float(np.concatenate(groups).mean()), spread(scatter_um, freedom)


def _screw(seen: Seen, screw: BoolArray, lead_mm: float) -> Screw:
    places = np.flatnonzero(screw)
    readings = Readings(
        position_um=seen.position_um[places],
        reading_um=seen.seen_um[places],
        approached=np.array([float(seen.stop[place].approached) for place in places]),
        line=tuple(seen.frame[place] for place in places),
    )
    return fit_screw(readings, lead_mm=lead_mm)


def _refuse_much_play(backlash_um: Estimate, reversal_um: float) -> None:
    if backlash_um.value > _MOST_PLAY * reversal_um:
        raise Refusal(
            f"the backlash is {backlash_um.value:.3g} um or more, and the run turned round over {reversal_um:.3g} um "
            f"only, which may not have taken it up. Write backlash_um: {2 * backlash_um.value:.2g} into the profile "
            "and make the run again",
            code="much_play",
        )


def _microsteps(seen: Seen, small: BoolArray, cycle_um: float) -> Estimate | None:
    """Root mean square of the error that comes back with every electrical cycle.

    Notes
    -----
    Straight line and sines of one, two and four periods a cycle by least squares. Half of the sum of the squares of
    their coefficients is the mean square of the error, and on average too large by what the coefficients' own
    variances add, which is taken off.
    """
    if np.count_nonzero(small) < _FEWEST_SMALL_STEPS:
        return None
    sent, shown = seen.position_um[small], seen.seen_um[small]
    waves = _waves(sent / cycle_um)
    columns = np.concatenate((np.ones((len(sent), 1)), (sent - sent.mean())[:, None], waves), axis=1)
    solution, *_ = np.linalg.lstsq(columns, shown, rcond=None)
    rest = shown - columns @ solution
    freedom = len(sent) - columns.shape[1]
    covariance = (float(rest @ rest) / freedom * np.linalg.pinv(columns.T @ columns))[2:, 2:]
    wave = solution[2:]
    square = max(0.0, float(wave @ wave - np.trace(covariance)) / 2)
    error = math.sqrt(float(wave @ covariance @ wave) + float(np.sum(covariance**2)) / 2)
    rms = math.sqrt(square)
    # where next to nothing is left, the error is that of the square's own root
    return Estimate(value=rms, standard_error=error / (2 * max(rms, math.sqrt(error / 2))), freedom=float(freedom))


def _waves(cycles: FloatArray) -> FloatArray:
    phase = 2 * np.pi * np.multiply.outer(cycles, _HARMONICS)
    return np.concatenate((np.sin(phase), np.cos(phase)), axis=1)


def _settling(
    seen: Seen, shots: BoolArray, home_um: float, scatter_um: Estimate, still_um: float | None
) -> Settling | None:
    if still_um is None or np.count_nonzero(shots) < FEWEST_DELAYS:
        return None
    found = fit_settling(
        seen.delay_s[shots],
        seen.seen_um[shots] - home_um,
        scatter_um=scatter_um,
        still_um=still_um,
    )
    if found.settle_s is not None and found.settle_s.value > _SHAKES * found.latest_s:
        raise Refusal(
            f"the rail shakes for about {found.settle_s.value:.2g} s, and the run waited {found.latest_s:.2g} s at "
            "most: nothing was at rest. Make it again with a longer --settle-s",
            code="never_still",
        )
    return found
