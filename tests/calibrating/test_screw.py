from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import curve_fit

from stacker.calibrating.readings import Readings
from stacker.calibrating.screw import fit_screw
from stacker.errors import Refusal

LEAD_MM = 2.0
LEAD_UM = 2000.0


def plan(turns=3, a_turn=6, *, first=5.0):
    """Where the rail is sent: up the whole way, then down the same places."""
    up = first + np.arange(turns * a_turn) / a_turn
    return np.concatenate((up, up[::-1])), np.repeat([1.0, -1.0], len(up))


def readings_of(turns, side, *, deviation, amplitude_um, phase, backlash_um, noise_um):
    """What an indicator shows: the truth of the screw, written down in turns, not by the formula of the fit."""
    travelled_um = LEAD_UM * (1 + deviation) * turns + amplitude_um * np.sin(2 * np.pi * (turns - phase))
    shown_um = np.where(side > 0, travelled_um, travelled_um + backlash_um) - 7_300.0 + noise_um
    return Readings(
        position_um=turns * LEAD_UM, reading_um=shown_um, approached=side, line=tuple(range(2, 2 + len(turns)))
    )


TRUE = {"deviation": 0.0031, "amplitude_um": 4.2, "phase": 0.3, "backlash_um": 17.5}


def test_without_noise_the_screw_comes_back_exactly():
    turns, side = plan()
    found = fit_screw(readings_of(turns, side, **TRUE, noise_um=0.0), lead_mm=LEAD_MM)
    assert found.lead_mm.value == pytest.approx(2.0062, rel=1e-12)
    assert found.periodic_um.value == pytest.approx(4.2, rel=1e-9)
    assert found.phase_turns == pytest.approx(0.3, abs=1e-9)
    assert found.backlash_um.value == pytest.approx(17.5, rel=1e-9)
    assert found.scatter_um == pytest.approx(0, abs=1e-9)


def test_against_a_general_curve_fit():
    turns, side = plan(4, 7)
    noise_um = np.random.default_rng(1).normal(0, 1.3, len(turns))
    readings = readings_of(turns, side, **TRUE, noise_um=noise_um)
    found = fit_screw(readings, lead_mm=LEAD_MM)

    def shown(turns_and_side, zero, lead, amplitude, phase, backlash):
        t, s = turns_and_side
        return zero + lead * t + amplitude * np.sin(2 * np.pi * (t - phase)) + backlash * (s < 0)

    start = (-7300, 2000, 4, 0.3, 15)
    best, covariance = curve_fit(shown, (turns, side), readings.reading_um, p0=start)
    error = np.sqrt(np.diag(covariance))
    # curve_fit linearises by finite differences: six digits.
    assert found.lead_mm.value * 1000 == pytest.approx(best[1], rel=1e-6)
    assert found.lead_mm.standard_error * 1000 == pytest.approx(error[1], rel=1e-4)
    assert (found.periodic_um.value, found.periodic_um.standard_error) == pytest.approx((best[2], error[2]), rel=1e-4)
    assert (found.backlash_um.value, found.backlash_um.standard_error) == pytest.approx((best[4], error[4]), rel=1e-4)


def test_an_indicator_that_counts_the_other_way_gives_the_same():
    turns, side = plan()
    noise_um = np.random.default_rng(2).normal(0, 1, len(turns))
    readings = readings_of(turns, side, **TRUE, noise_um=noise_um)
    found = fit_screw(readings, lead_mm=LEAD_MM)
    turned = fit_screw(replace(readings, reading_um=-readings.reading_um), lead_mm=LEAD_MM)
    assert turned.lead_mm.value == pytest.approx(found.lead_mm.value, rel=1e-12)
    assert turned.backlash_um.value == pytest.approx(found.backlash_um.value, rel=1e-9)


def test_a_misread_value_is_named_by_its_line():
    turns, side = plan(6, 8)
    noise_um = np.random.default_rng(3).normal(0, 1, len(turns))
    noise_um[20] += 25
    assert fit_screw(readings_of(turns, side, **TRUE, noise_um=noise_um), lead_mm=LEAD_MM).outliers == (22,)


@pytest.mark.parametrize(
    ("turns", "side", "reason"),
    [
        (np.arange(5.0, 25.0), np.tile([1.0, -1.0], 10), "readings at whole turns"),
        (np.tile(5 + np.arange(40) / 2, 2), np.repeat([1.0, -1.0], 40), "leave 0.50 of every turn unseen"),
        (*plan(3, 5), "only 0 hold 6 readings"),
        (*plan(2, 6), "only 2 hold 6 readings"),
        (5 + np.arange(18) / 6, np.ones(18), "no reading was approached downward"),
        (np.append(plan()[0], 5.5), np.append(np.ones(36), -1.0), r"approached downward \(down\) leave 1.00"),
        (np.tile(5 + np.arange(6) / 6, 12), np.repeat([1.0, -1.0], 36), "only 1 hold 6 readings"),
    ],
    ids=["whole turns", "half turns", "five a turn", "two turns", "one side", "one from above", "one turn often"],
)
def test_readings_that_cannot_tell_are_refused(turns, side, reason):
    readings = readings_of(turns, side, **TRUE, noise_um=0.0)
    with pytest.raises(Refusal, match=reason):
        fit_screw(readings, lead_mm=LEAD_MM)


def test_the_fewest_readings_are_enough_also_when_positions_are_rounded():
    turns, side = plan(3, 6, first=0.0)
    fit_screw(readings_of(np.round(turns * LEAD_MM, 2) / LEAD_MM, side, **TRUE, noise_um=0.0), lead_mm=LEAD_MM)


def test_readings_in_another_unit_are_refused():
    turns, side = plan()
    readings = readings_of(turns, side, **TRUE, noise_um=0.0)
    with pytest.raises(Refusal, match="check the units"):
        fit_screw(replace(readings, reading_um=readings.reading_um / 25.4), lead_mm=LEAD_MM)


def test_scatter_is_an_unbiased_variance():
    turns, side = plan()
    rng = np.random.default_rng(5)
    squares = [
        fit_screw(readings_of(turns, side, **TRUE, noise_um=rng.normal(0, 1.5, 36)), lead_mm=LEAD_MM).scatter_um ** 2
        for _ in range(400)
    ]
    # A variance with 31 degrees of freedom scatters by sqrt(2/31); five standard errors of the mean of 400.
    assert np.mean(squares) == pytest.approx(1.5**2, rel=5 * np.sqrt(2 / 31 / 400))


def covered(rng, count):
    """How many of `count` synthetic calibrations hold the truth, for lead error, periodic amplitude and backlash."""
    hits = np.zeros(3, dtype=int)
    for _ in range(count):
        turns, side = plan(int(rng.integers(3, 8)), int(rng.integers(6, 13)), first=rng.uniform(2, 12))
        sigma_um = rng.uniform(0.3, 4)
        # Standard error of an amplitude from n readings spread over the turn: sigma sqrt(2/n) (derived).
        error_um = sigma_um * np.sqrt(2 / len(turns))
        true = {
            "deviation": rng.normal(0, 0.005),
            "amplitude_um": error_um * rng.uniform(3, 20),
            "phase": rng.uniform(0, 1),
            "backlash_um": rng.uniform(0, 60),
        }
        readings = readings_of(turns, side, **true, noise_um=rng.normal(0, sigma_um, len(turns)))
        found = fit_screw(readings, lead_mm=LEAD_MM)
        for place, (estimate, truth) in enumerate(
            (
                (found.lead_deviation, true["deviation"]),
                (found.periodic_um, true["amplitude_um"]),
                (found.backlash_um, true["backlash_um"]),
            )
        ):
            low, high = estimate.interval
            hits[place] += low <= truth <= high
    return hits


def test_the_intervals_of_a_thousand_calibrations_hold_the_truth():
    hits = covered(np.random.default_rng(20), 1000)
    # The count scatters by sqrt(1000 * 0.95 * 0.05) = 6.9: 930 to 970 is 2.9 of those either way.
    assert np.all((hits >= 930) & (hits <= 970)), hits


@pytest.mark.campaign
def test_the_intervals_of_thirty_thousand_calibrations_hold_the_truth():
    hits = covered(np.random.default_rng(21), 30_000)
    low, high = stats.binom.interval(1 - 1e-5, 30_000, 0.95)
    assert np.all((hits >= low) & (hits <= high)), (hits, low, high)
