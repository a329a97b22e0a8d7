"""What a screw does: lead, periodic error, backlash and scatter, from an indicator's readings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.readings import Readings
from stacker.errors import Refusal

FEWEST_A_TURN = 6
FEWEST_TURNS = 3
_WIDEST_GAP = 0.34  # of a turn: wider, and a sine could hide between the readings
_HUNDREDTHS = 100  # of a turn: readings closer than that are of one place
_LARGEST_LEAD_ERROR = 0.2  # the profile takes no more: past it, a unit or the lead itself is wrong
_OUTLIER = 4.0  # standard deviations: once in 16,000 good readings

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Screw:
    """A calibrated screw.

    Parameters
    ----------
    lead_mm : Estimate
        Travel per turn [mm].
    lead_deviation : Estimate
        Relative difference from the profile's lead [-]: 0.001 is 1 um in a millimetre too far.
    periodic_um : Estimate
        Amplitude of the error with the period of one turn [um].
    phase_turns : float
        Where in the turn that error rises through zero [turns], counted from position 0.
    backlash_um : Estimate
        Lost motion on reversal [um].
    scatter_um : float
        Standard deviation of one reading about all of that [um]: repeatability, with what the indicator adds.
    residual_um : ndarray, shape (n,)
        What is left of each reading [um].
    turns, approached : ndarray, shape (n,)
        Where it was taken [turns of the screw], and from which side: 1 upward, -1 downward.
    outliers : tuple of int
        Lines of readings farther off than scatter explains.
    """

    lead_mm: Estimate
    lead_deviation: Estimate
    periodic_um: Estimate
    phase_turns: float
    backlash_um: Estimate
    scatter_um: float
    residual_um: FloatArray
    turns: FloatArray
    approached: FloatArray
    outliers: tuple[int, ...]

    @property
    def periodic_is_clear(self) -> bool:
        """Whether the periodic error stands out from the scatter."""
        return self.periodic_um.value > 3 * self.periodic_um.standard_error

    def lead_error(self, indicator_error_um: float = 0.0) -> float:
        """How far off the calibrated lead may still be [-]: two standard errors.

        Parameters
        ----------
        indicator_error_um : float
            Largest error of the indicator over the range that was read, by its maker: no reading shows it [um].
        """
        span_um = float(np.ptp(self.turns)) * 1000 * self.lead_mm.value
        return math.hypot(2 * self.lead_mm.standard_error / self.lead_mm.value, indicator_error_um / span_um)


def fit_screw(readings: Readings, *, lead_mm: float) -> Screw:
    """Fit readings by least squares.

    Parameters
    ----------
    readings : Readings
        At least six a turn over three turns, from both sides.
    lead_mm : float
        Lead by which the positions were counted [mm].

    Raises
    ------
    Refusal
        When the readings cannot tell lead, periodic error and backlash apart, or are in another unit.

    Notes
    -----
    With x the position sent, t = x/lead and s = 1 for a stop approached upward, -1 downward,

        reading - x = c + e x + a sin(2 pi t) + b cos(2 pi t) - s B/2 + noise

    e is the lead's relative deviation, hypot(a, b) the amplitude of the periodic error, B the backlash: a carriage
    that comes from above stops that much higher. An indicator that counts the other way is turned round first. The
    amplitude's standard error is that of (a, b) along its own direction; below about three standard errors noise makes
    amplitudes look larger than they are.
    """
    lead_um = 1000 * lead_mm
    turns = readings.position_um / lead_um
    _refuse_what_cannot_tell(turns, readings.approached)
    reading_um = readings.reading_um * _sense(readings)
    columns = np.stack(
        (
            np.ones_like(turns),
            turns - turns.mean(),  # the lead's deviation in um a turn; centred, so that the columns stay apart
            np.sin(2 * np.pi * turns),
            np.cos(2 * np.pi * turns),
            -readings.approached / 2,
        ),
        axis=1,
    )
    error_um = reading_um - readings.position_um
    solution, _, _, _ = np.linalg.lstsq(columns, error_um, rcond=None)
    residual_um = error_um - columns @ solution
    freedom = len(turns) - columns.shape[1]
    variance = float(residual_um @ residual_um) / freedom
    covariance = variance * np.linalg.inv(columns.T @ columns)

    def estimate(weights: FloatArray, value: float) -> Estimate:
        error = math.sqrt(float(weights @ covariance @ weights))
        return Estimate(value=value, standard_error=error, freedom=freedom)

    unit = np.eye(5)
    deviation = estimate(unit[1] / lead_um, float(solution[1]) / lead_um)
    _refuse_wrong_unit(deviation.value)
    backlash = estimate(unit[4], float(solution[4]))
    if backlash.value < -3 * backlash.standard_error:
        raise Refusal(
            f"the carriage stands {-backlash.value:.3g} um lower when approached downward than upward, and lost motion "
            "leaves it higher: up and down are swapped in the readings",
            code="sides_swapped",
        )
    sine, cosine = float(solution[2]), float(solution[3])
    amplitude = math.hypot(sine, cosine)
    along = (sine * unit[2] + cosine * unit[3]) / amplitude if amplitude > 0 else unit[2]
    scatter_um = math.sqrt(variance)
    far_off = np.abs(residual_um) > _OUTLIER * scatter_um
    return Screw(
        lead_mm=Estimate(
            value=lead_mm * (1 + deviation.value), standard_error=lead_mm * deviation.standard_error, freedom=freedom
        ),
        lead_deviation=deviation,
        periodic_um=estimate(along, amplitude),
        phase_turns=(-math.atan2(cosine, sine) / (2 * math.pi)) % 1.0,
        backlash_um=backlash,
        scatter_um=scatter_um,
        residual_um=residual_um,
        turns=turns,
        approached=readings.approached,
        outliers=tuple(line for line, off in zip(readings.line, far_off, strict=True) if off),
    )


def _sense(readings: Readings) -> float:
    """Whether the indicator counts as the rail does (1) or the other way (-1)."""
    positions = readings.position_um - readings.position_um.mean()
    return 1.0 if float(positions @ readings.reading_um) >= 0 else -1.0


def _refuse_what_cannot_tell(turns: FloatArray, approached: FloatArray) -> None:
    wanted = (
        f"take at least {FEWEST_A_TURN} readings a turn, evenly spread, over at least {FEWEST_TURNS} turns, each "
        "place approached once from below and once from above"
    )
    for side, word in ((1.0, "upward (up)"), (-1.0, "downward (down)")):
        here = turns[approached == side]
        if not len(here):
            raise Refusal(
                f"no reading was approached {word}: backlash shows only from both sides; {wanted}", code="few_readings"
            )
        places = np.unique(np.rint(here * _HUNDREDTHS).astype(np.int64))
        phases = np.unique(places % _HUNDREDTHS)
        gap = float(np.max(np.diff(phases, append=phases[0] + _HUNDREDTHS))) / _HUNDREDTHS
        if gap > _WIDEST_GAP:
            raise Refusal(
                f"the readings approached {word} leave {gap:.2f} of every turn unseen: readings at whole turns, or "
                f"always at the same few places in the turn, cannot tell periodic error from lead; {wanted}",
                code="few_readings",
            )
        in_turn = np.unique((places - places[0] + 1) // _HUNDREDTHS, return_counts=True)[1]
        full = int(np.count_nonzero(in_turn >= FEWEST_A_TURN))
        if full < FEWEST_TURNS:
            raise Refusal(
                f"of the turns that were approached {word} only {full} hold {FEWEST_A_TURN} readings: too few to tell "
                f"lead, periodic error and backlash apart; {wanted}",
                code="few_readings",
            )


def _refuse_wrong_unit(deviation: float) -> None:
    if abs(deviation) > _LARGEST_LEAD_ERROR:
        raise Refusal(
            f"the indicator moved {1 + deviation:.4g} times as far as the rail was sent: check the units of both "
            "columns, and lead and microsteps in the profile",
            code="wrong_unit",
        )
