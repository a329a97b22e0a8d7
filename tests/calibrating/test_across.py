"""A carriage of known truth on a measuring run: what is found, how often the intervals hold it, what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from darkroom.carriage import Carriage
from scipy import stats

from stacker.calibrating.across import RailFound, Seen, measure_rail, seen_of
from stacker.calibrating.estimate import Estimate, spread
from stacker.calibrating.settling import fit_settling
from stacker.documents.measuring_run import COLUMNS, rows_of, stops_of
from stacker.documents.rail_profile import RailProfile
from stacker.driving.measure_stops import measure_stops
from stacker.errors import Refusal

RAIL = RailProfile(
    travel_mm=80.0,
    soft_limits_mm=(2.0, 78.0),
    full_steps_per_turn=200,
    microsteps_per_full_step=16,
    lead_mm=1.0,
    speed_mm_s=3.0,
    acceleration_mm_s2=15.0,
    backlash_um=12.0,
)
STOPS = measure_stops(RAIL, travel=15_000, settle_s=2.0)
READING_UM = 0.03  # of the rendered pictures, by their campaign
SCALE_ERROR = 0.0005
STILL_UM = 0.5


def seen_by(carriage: Carriage, rng: np.random.Generator, *, scale: float = 1.0) -> Seen:
    """What perfect pictures but for their noise would show; the camera counts from anywhere."""
    delay_s = np.array([stop.wait_s for stop in STOPS]) + rng.uniform(0.002, 0.012, len(STOPS))
    at_um = carriage.places_um(STOPS, RAIL.microstep_um, delay_s, rng)
    return seen_of(
        range(1, len(STOPS) + 1),
        STOPS,
        delay_s,
        (at_um + rng.normal(0, READING_UM, len(STOPS))) * scale + 321,
        origin=12_800,
        microstep_um=RAIL.microstep_um,
        error_um=READING_UM,
    )


def measured(seen: Seen, still_um: float | None = STILL_UM) -> RailFound:
    scale = Estimate(value=4.0, standard_error=4.0 * SCALE_ERROR)
    return measure_rail(seen, lead_mm=1.0, cycle_um=20.0, scale=scale, still_um=still_um)


def refused(seen: Seen) -> str:
    with pytest.raises(Refusal) as refusal:
        measured(seen)
    return refusal.value.code


def test_the_truth_comes_back():
    true = Carriage()
    found = measured(seen_by(true, np.random.default_rng(3)))
    # what is asked for: periodic error to 0.4 um, backlash to 0.3 um, settling to 20 %, lead as good as the scale
    assert found.screw.periodic_um.value == pytest.approx(2.5, abs=0.4)
    assert found.screw.backlash_um.value == pytest.approx(14, abs=0.3)
    assert found.screw.phase_turns == pytest.approx(0.15, abs=0.03)  # 12,800 microsteps are four whole turns
    assert found.lead_mm.value == pytest.approx(1.002, abs=1e-4)
    assert found.lead_error == pytest.approx(2 * SCALE_ERROR, rel=0.1)
    assert found.settling.settle_s.value == pytest.approx(true.settle_s(STILL_UM), rel=0.2)
    assert found.microstep_um.value == pytest.approx(0.25 / np.sqrt(2), abs=0.1)
    low, high = found.repeatability_um.interval
    assert low < np.hypot(0.25, READING_UM) < high
    assert found.lost == 0


def test_pictures_that_could_not_be_read_are_left_out():
    seen = seen_by(Carriage(), np.random.default_rng(4))
    holed = seen.seen_um.copy()
    holed[[2, 40, 41, 90, 130]] = np.nan
    found = measured(replace(seen, seen_um=holed))
    assert found.lost == 5
    assert found.screw.backlash_um.value == pytest.approx(14, abs=0.3)


def test_a_slow_drift_of_the_camera_spoils_neither_lead_nor_backlash():
    """Places come in mixed order, each from both sides at once: 0.3 um an hour of warming is no lead and no play."""
    found = measured(seen_by(Carriage(drift_um=0.3, repeatability_um=0.1), np.random.default_rng(5)))
    assert found.screw.lead_mm.value == pytest.approx(1.002, abs=1e-4)
    assert found.screw.backlash_um.value == pytest.approx(14, abs=0.15)


@pytest.mark.parametrize(
    "changes", [{"drift_um": 4.0}, {"bump": (60, 3.0)}, {"bump": (150, 3.0)}], ids=["drift", "bump", "late bump"]
)
def test_a_camera_that_moved_is_refused(changes):
    assert refused(seen_by(Carriage(**changes), np.random.default_rng(6))) == "moved"


def test_other_ways_than_the_rail_was_sent_are_refused():
    seen = seen_by(Carriage(), np.random.default_rng(7))
    assert refused(replace(seen, seen_um=seen.seen_um * 2.54)) == "does_not_follow"
    assert refused(replace(seen, seen_um=seen.seen_um * 0.01)) == "does_not_follow"


def test_a_rail_that_shakes_longer_than_the_run_waited_is_refused():
    assert refused(seen_by(Carriage(tau_s=0.55, swing_um=20), np.random.default_rng(8))) == "never_still"


def test_more_play_than_the_run_took_up_is_refused():
    assert refused(seen_by(Carriage(backlash_um=260), np.random.default_rng(12))) == "much_play"


def test_too_few_returns_to_one_place_are_refused():
    seen = seen_by(Carriage(), np.random.default_rng(9))
    holed = seen.seen_um.copy()
    holed[:2] = np.nan
    assert refused(replace(seen, seen_um=holed)) == "few_repeats"


def test_a_rail_that_does_not_shake_is_said_to_be_still_from_the_first_delay_on():
    found = measured(seen_by(Carriage(swing_um=0.0), np.random.default_rng(10)))
    assert found.settling.settle_s is None
    assert found.settling.soonest_s < 0.06


def test_a_creep_without_swinging_settles_too():
    rng = np.random.default_rng(11)
    delay_s = np.geomspace(0.04, 2, 40)
    away_um = 8 * np.exp(-delay_s / 0.2) + rng.normal(0, 0.1, 40)
    found = fit_settling(delay_s, away_um, scatter_um=spread(0.1, 12), still_um=0.5)
    assert found.settle_s.value == pytest.approx(0.2 * np.log(8 / 0.5), rel=0.2)


def test_rows_of_a_journal_hold_the_stops():
    rows = rows_of(STOPS, microstep_um=RAIL.microstep_um, exposure_s=0.005)
    assert tuple(stops_of(COLUMNS, rows)) == tuple(replace(stop, wait_s=round(stop.wait_s, 4)) for stop in STOPS)
    assert stops_of(("frame", "focus_um", "position_microsteps"), [[1, 0.0, 0]]) is None
    for part, approached, wait_s in ((9, 1, 1.0), (1.0, 1, 1.0), (None, 1, 1.0), (1, 0, 1.0), (1, 1, None)):
        assert stops_of(COLUMNS, [[1, 0.0, 0, part, approached, None, wait_s, 0.005]]) is None


def covered(rng: np.random.Generator, count: int, *, still_um: float | None) -> dict[str, list[tuple[bool, float]]]:
    """Whether each interval of some runs of random truth holds it, and how far off the value is."""
    out: dict[str, list[tuple[bool, float]]] = {}
    for _ in range(count):
        true = Carriage(
            deviation=rng.normal(0, 0.004),
            periodic_um=rng.uniform(1, 4),
            phase=rng.uniform(),
            backlash_um=rng.uniform(2, 40),
            repeatability_um=rng.uniform(0.05, 0.35),
            microstep_um=rng.uniform(0.2, 0.6),
            swing_um=rng.uniform(4, 30),
            tau_s=rng.uniform(0.06, 0.3),
            ring_hz=rng.uniform(12, 80),
        )
        try:
            found = measured(seen_by(true, rng, scale=1 + rng.normal(0, SCALE_ERROR)), still_um)
        except Refusal as refusal:  # once in a thousand a camera is said to have moved that did not
            out.setdefault(refusal.code, []).append((True, 0.0))
            continue
        settle_s = None if found.settling is None else found.settling.settle_s
        for name, one, truth in (
            ("lead", found.lead_mm, 1 + true.deviation),
            ("periodic", found.periodic_um, true.periodic_um),
            ("backlash", found.backlash_um, true.backlash_um),
            ("repeatability", found.repeatability_um, float(np.hypot(true.repeatability_um, READING_UM))),
            ("microstep", found.microstep_um, true.microstep_um / np.sqrt(2)),
            ("settling", settle_s, true.settle_s(STILL_UM)),
        ):
            if one is None:
                continue
            low, high = one.interval
            out.setdefault(name, []).append((low <= truth <= high, one.value - truth))
            if name == "settling":
                out.setdefault("settling share", []).append((True, one.value / truth - 1))
    return out


@pytest.mark.campaign
@pytest.mark.parametrize(("count", "still_um"), [(3000, None), (500, STILL_UM)], ids=["all else", "settling"])
def test_the_intervals_of_many_runs_hold_the_truth(count, still_um):
    found = covered(np.random.default_rng(79), count, still_um=still_um)
    assert len(found.pop("moved", [])) <= stats.binom.ppf(0.999, count, 0.002)
    off = {name: np.array([one for _, one in values]) for name, values in found.items()}
    for name in found if still_um is None else ["settling"]:
        share = np.mean([inside for inside, _ in found[name]])
        print(f"{name}: {share:.3f} of {len(off[name])}, bias {off[name].mean():.4f}, spread {off[name].std():.4f}")
        assert 0.92 <= share <= 0.98, name  # what is asked for
    assert np.quantile(np.abs(off["periodic"]), 0.95) < 0.4
    assert np.quantile(np.abs(off["backlash"]), 0.95) < 0.3
    if still_um is not None:
        assert len(off["settling"]) > 0.98 * count  # of so many a settling time was told
        assert np.quantile(np.abs(off["settling share"]), 0.95) < 0.2


@pytest.mark.campaign
def test_a_camera_that_stands_still_is_hardly_ever_said_to_have_moved():
    rng = np.random.default_rng(78)

    def said_to_have_moved() -> bool:
        try:
            measured(seen_by(Carriage(repeatability_um=0.3), rng))
        except Refusal as refusal:
            return refusal.code == "moved"
        return False

    # once in a thousand by the studentised range; no more of 200 than come by chance in 99.9 % of cases
    assert sum(said_to_have_moved() for _ in range(200)) <= stats.binom.ppf(0.999, 200, 0.001)
