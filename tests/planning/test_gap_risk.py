import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from planning.laid import lay_planes
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from stacker.errors import Refusal
from stacker.planning.gap_risk import gap_risk, normal_upper_tail, overlap_that_holds, soft_seams


def even(count, step_um, dof_um):
    """Planes at 0, step, 2 step ...; the subject ends on the last."""
    focus_um = np.arange(count) * step_um
    return {"focus_um": focus_um, "dof_um": np.full(count, dof_um), "depth_um": float(focus_um[-1])}


@pytest.mark.parametrize(
    ("deviate", "tail"),
    # Abramowitz and Stegun, Handbook of Mathematical Functions, tables 26.1 and 26.2 (from memory).
    [
        (0, 0.5),
        (1, 0.158655253931),
        (1.96, 0.024997895148),
        (3, 1.349898032e-3),
        (5, 2.866515719e-7),
        (10, 7.619853e-24),
    ],
)
def test_normal_tail_against_tables(deviate, tail):
    # Relative 1e-7: half a unit in the last digit given of the shortest entry.
    assert normal_upper_tail(np.array([float(deviate)]))[0] == pytest.approx(tail, rel=1e-7)


def test_normal_tail_against_scipy_far_into_the_tail():
    deviates = np.linspace(-8, 35, 1000).reshape(4, 250)
    np.testing.assert_allclose(normal_upper_tail(deviates), norm.sf(deviates), rtol=1e-12)


def test_one_pair_by_hand():
    # Derived: room 14 - 10 = 4 um over sqrt(2) * 1.5 um; the tail of that from scipy.
    found = gap_risk(**even(2, 10.0, 14.0), repeatability_um=1.5)
    assert found == pytest.approx(norm.sf(4 / (math.sqrt(2) * 1.5)), rel=1e-12)


def test_many_pairs():
    # Derived: none of the 40 independent pairs fails; 14 - 10 um of room over the scatter of two stops.
    found = gap_risk(**even(41, 10.0, 14.0), repeatability_um=1.2)
    assert found == pytest.approx(1 - (1 - norm.sf(4 / (math.sqrt(2) * 1.2))) ** 40, rel=1e-9)


def test_scatter_of_each_plane_as_for_a_rear_standard():
    # Derived: two independent errors add in squares.
    stack = even(2, 10.0, 14.0)
    found = gap_risk(**stack, repeatability_um=np.array([1.0, 2.0]))
    assert found == pytest.approx(norm.sf(4 / math.sqrt(5)), rel=1e-12)


def test_only_pairs_that_touch_the_subject_count():
    focus_um = np.arange(-3, 14) * 0.7
    depth_um = 10 * 0.7  # laid to the last bit beside the plane at 10 * 0.7
    found = gap_risk(focus_um=focus_um, dof_um=np.full(17, 1.0), depth_um=depth_um, repeatability_um=0.1)
    # Touching at a point counts: from the pair (-1, 0) to the pair (10, 11), twelve.
    assert found == pytest.approx(1 - (1 - norm.sf(0.3 / (math.sqrt(2) * 0.1))) ** 12, rel=1e-9)
    # Two steps off the front the scatter does not matter.
    scatter_um = np.where((focus_um < -1) | (focus_um > 8), 50.0, 0.1)
    assert gap_risk(
        focus_um=focus_um, dof_um=np.full(17, 1.0), depth_um=depth_um, repeatability_um=scatter_um
    ) == pytest.approx(found, rel=1e-12)


def test_unknown_negligible_and_certain():
    assert gap_risk(**even(5, 10.0, 14.0), repeatability_um=None) is None
    assert gap_risk(**even(5, 10.0, 14.0), repeatability_um=0.0) == 0.0
    assert gap_risk(**even(5, 10.0, 14.0), repeatability_um=0.4) == 0.0  # 7 sigma: 4 * 8e-13
    assert gap_risk(**even(1, 10.0, 14.0), repeatability_um=1.0) == 0.0
    assert gap_risk(**even(5, 14.1, 14.0), repeatability_um=0.0) == 1.0
    assert gap_risk(**even(500, 14.0, 14.0), repeatability_um=1.0) == pytest.approx(1.0, abs=1e-12)


@given(overlap=st.floats(0, 0.6), more=st.floats(0, 0.2), sigma_um=st.floats(0.01, 5))
def test_more_room_for_the_same_pairs_never_raises_the_risk(overlap, more, sigma_um):
    risk, lower = (
        gap_risk(**even(20, 10.0, 10.0 / (1 - share)), repeatability_um=sigma_um) for share in (overlap, overlap + more)
    )
    assert lower <= risk


def scattered_share(rng, *, trials, pairs, step_um, dof_um, sigma_um):
    """Share of simulated stacks in which some pair of slices does not meet."""
    opened = 0
    for _ in range(20):
        planes_um = np.arange(pairs + 1) * step_um + sigma_um * rng.standard_normal((trials // 20, pairs + 1))
        opened += np.count_nonzero(np.any(np.diff(planes_um, axis=1) > dof_um, axis=1))
    return opened / trials


@pytest.mark.parametrize("seed", [pytest.param(20), *(pytest.param(s, marks=pytest.mark.campaign) for s in range(6))])
@pytest.mark.parametrize(("pairs", "sigma_um"), [(10, 1.2), (40, 1.0), (40, 0.85)])
def test_against_scattered_stacks(pairs, sigma_um, seed):
    trials = 100_000 if seed == 20 else 1_000_000
    found = gap_risk(**even(pairs + 1, 10.0, 14.0), repeatability_um=sigma_um)
    share = scattered_share(
        np.random.default_rng(seed), trials=trials, pairs=pairs, step_um=10.0, dof_um=14.0, sigma_um=sigma_um
    )
    # Five standard deviations of the count, and what neighbours with a plane in common are allowed to change:
    # of the order of pairs * p^2, since both steps beside a plane cannot well be too long.
    p = norm.sf(4 / (math.sqrt(2) * sigma_um))
    assert share == pytest.approx(found, abs=5 * math.sqrt(found * (1 - found) / trials) + pairs * p**2)


def risk_of(overlap, *, sigma_um=2.0, microstep_um=0.01, depth_um=1000.0, dof_um=20.0):
    planes = lay_planes(depth_um=depth_um, step_um=dof_um * (1 - overlap), slice_um=dof_um, microstep_um=microstep_um)
    return gap_risk(focus_um=planes.focus_um, dof_um=planes.slice_um, depth_um=depth_um, repeatability_um=sigma_um)


def test_the_overlap_that_holds_is_the_smallest_of_the_hundredths():
    found = overlap_that_holds(risk_of, overlap=0.3)
    assert found is not None
    assert risk_of(found) <= 0.001 < risk_of(found - 0.01)
    # Without the planes: steps of 20 (1 - o) um leave room of 20 o, over n pairs of a subject 1000 um deep.
    needed = brentq(lambda o: 1 - norm.cdf(20 * o / (2 * math.sqrt(2))) ** (50 / (1 - o) + 1) - 0.001, 0.3, 0.9)
    assert found == math.ceil(100 * needed) / 100


def test_rounding_to_coarse_microsteps_may_save_overlap():
    # Derived: 20 (1 - 0.61) = 7.8 um is made as 7.5 um with microsteps of 0.5 um, the overlap of 0.625.
    assert overlap_that_holds(lambda overlap: risk_of(overlap, microstep_um=0.5), overlap=0.3) == 0.61


def test_no_overlap_helps_a_rail_that_scatters_too_much():
    assert overlap_that_holds(lambda overlap: risk_of(overlap, sigma_um=4.0), overlap=0.3) is None


def test_an_overlap_that_the_rail_cannot_step_is_no_advice():
    def risk_at(overlap, needed):
        if overlap > 0.5:
            raise Refusal("A step is under one microstep.", key="rail")
        return 0.01 if overlap < needed else 0.0005

    assert overlap_that_holds(lambda overlap: risk_at(overlap, 0.455), overlap=0.3) == 0.46
    assert overlap_that_holds(lambda overlap: risk_at(overlap, 0.55), overlap=0.3) is None
    assert overlap_that_holds(lambda overlap: risk_at(overlap, 0.25), overlap=0.1) == 0.25
    assert overlap_that_holds(lambda overlap: risk_at(overlap, 0.41), overlap=0.4) == 0.41


@pytest.mark.parametrize("needed", [0.31, 0.5, 0.69, 0.7])
def test_hundredths_up_to_the_limit_are_found(needed):
    assert overlap_that_holds(lambda overlap: float(overlap < needed), overlap=0.3) == needed


def test_past_the_limit_there_is_no_advice():
    assert overlap_that_holds(lambda overlap: float(overlap < 0.705), overlap=0.3) is None


# ------------------------------------------------------------------------------------------------- periodic error


def with_screw(stack, *, turns_a_step, amplitude_um):
    return stack | {
        "periodic_error_um": amplitude_um,
        "screw_turns": np.arange(len(stack["focus_um"])) * turns_a_step,
    }


@pytest.mark.parametrize("turns_a_step", [0.03, 0.2, 0.5, 0.77])
@pytest.mark.parametrize("amplitude_um", [0.3, 1.0, 2.5])
def test_one_pair_on_a_screw_against_a_numerical_integral(turns_a_step, amplitude_um):
    # Derived independently as one sinusoid: the step errs by 2 A sin(pi t) cos(psi), psi anywhere in the turn.
    def risk(psi):
        return norm.sf((4 - 2 * amplitude_um * np.sin(np.pi * turns_a_step) * np.cos(psi)) / (math.sqrt(2) * 0.8))

    wanted = quad(risk, 0, 2 * np.pi, epsabs=1e-14)[0] / (2 * np.pi)
    found = gap_risk(
        **with_screw(even(2, 10.0, 14.0), turns_a_step=turns_a_step, amplitude_um=amplitude_um), repeatability_um=0.8
    )
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-9)


def test_a_steady_screw_changes_nothing():
    stack = even(41, 10.0, 14.0)
    plain = gap_risk(**stack, repeatability_um=1.2)
    assert gap_risk(**with_screw(stack, turns_a_step=0.1, amplitude_um=0.0), repeatability_um=1.2) == plain
    # Steps of a whole turn meet the same place of the screw again; 1e-9 for the sines of large angles.
    whole = gap_risk(**with_screw(stack, turns_a_step=1.0, amplitude_um=5.0), repeatability_um=1.2)
    assert whole == pytest.approx(plain, rel=1e-9)


def test_without_scatter_the_share_of_phases_that_part_the_slices_is_the_risk():
    # Half turns: the step errs by 2 A cos(psi) with A = 4, past the room of 4 um for |psi| < 60 degrees; the other
    # steps have the opposite sign, so that of three pairs one parts in 2/3 of all phases.
    found = gap_risk(**with_screw(even(4, 10.0, 14.0), turns_a_step=0.5, amplitude_um=4.0), repeatability_um=0.0)
    assert found == pytest.approx(2 / 3, abs=1 / 32)  # 64 phases: each of four edges falls between two of them


def test_a_screw_with_its_own_amplitude_at_each_plane_as_for_a_rear_standard():
    stack = with_screw(even(2, 10.0, 14.0), turns_a_step=0.5, amplitude_um=np.array([0.5, 1.5]))
    # Half a turn: 1.5 sin + 0.5 sin, as one amplitude of 1 um at both.
    same = with_screw(even(2, 10.0, 14.0), turns_a_step=0.5, amplitude_um=1.0)
    assert gap_risk(**stack, repeatability_um=1.0) == pytest.approx(gap_risk(**same, repeatability_um=1.0), rel=1e-9)


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("turns_a_step", "amplitude_um", "sigma_um"), [(0.005, 40, 0.8), (0.13, 2.0, 0.8), (0.5, 0.8, 0.9)]
)
def test_a_screw_against_scattered_stacks(turns_a_step, amplitude_um, sigma_um):
    rng, trials, pairs = np.random.default_rng(7), 400_000, 20
    opened = 0
    for _ in range(20):
        phase = rng.uniform(0, 1, (trials // 20, 1))
        turns = np.arange(pairs + 1) * turns_a_step + phase
        planes_um = np.arange(pairs + 1) * 10.0 + amplitude_um * np.sin(2 * np.pi * turns)
        planes_um += sigma_um * rng.standard_normal((trials // 20, pairs + 1))
        opened += np.count_nonzero(np.any(np.diff(planes_um, axis=1) > 14.0, axis=1))
    stack = with_screw(even(pairs + 1, 10.0, 14.0), turns_a_step=turns_a_step, amplitude_um=amplitude_um)
    found = gap_risk(**stack, repeatability_um=sigma_um)
    plain = gap_risk(**even(pairs + 1, 10.0, 14.0), repeatability_um=sigma_um)
    assert found > 1.2 * plain  # the screw matters here
    # As without the screw: five standard deviations of the count, and neighbours that share a plane.
    worst = norm.sf((4 - 2 * amplitude_um * abs(math.sin(math.pi * turns_a_step))) / (math.sqrt(2) * sigma_um))
    assert opened / trials == pytest.approx(found, abs=5 * math.sqrt(found / trials) + pairs * worst**2)


@pytest.mark.parametrize(("sigma_um", "amplitude_um"), [(3.0, 0.0), (1.0, 3.0)], ids=["scatter", "screw"])
def test_soft_seams_are_those_of_many_scattered_stacks(sigma_um, amplitude_um):
    stack = even(41, 10.0, 14.0)
    turns = 0.23 * np.arange(41)
    found = soft_seams(**stack, repeatability_um=sigma_um, periodic_error_um=amplitude_um, screw_turns=turns)
    rng, runs = np.random.default_rng(7), 20_000
    phase = rng.uniform(0, 2 * math.pi, (runs, 1))
    places = stack["focus_um"] + amplitude_um * np.sin(2 * math.pi * turns + phase)
    steps = np.diff(places + sigma_um * rng.standard_normal((runs, 41)), axis=1)
    # the mean of 20 000 stacks of 40 seams scatters by well under a per cent of 5 or more
    assert found.short == pytest.approx((steps > 14.0).sum(axis=1).mean(), rel=0.02)
    assert found.pairs == 40
    # neighbouring errors share a plane, and a few phases of the screw stand for all: a fiftieth of the step
    assert found.worst_step_um == pytest.approx(float(np.median(steps.max(axis=1))), rel=0.02)
