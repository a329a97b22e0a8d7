import math

import numpy as np
import pytest
from scipy import stats

from stacker.calibrating.estimate import Estimate, from_readings, propagated


@pytest.mark.parametrize(
    ("freedom", "factor"),
    # Two-sided 95 % quantiles of Student's t: JCGM 100:2008, table G.2 (from memory).
    [(1, 12.71), (5, 2.57), (10, 2.23), (30, 2.04), (math.inf, 1.960)],
)
def test_margin_against_the_table(freedom, factor):
    # Half a unit of the last digit given.
    assert Estimate(value=0, standard_error=1, freedom=freedom).margin == pytest.approx(factor, abs=0.005)


def test_repeated_readings_are_the_students_interval_of_scipy():
    readings = [4210.0, 4213.0, 4208.5, 4211.0]
    found = from_readings(readings, stated_error=99.0)
    low, high = stats.t.interval(0.95, 3, loc=np.mean(readings), scale=stats.sem(readings))
    assert found.interval == pytest.approx((low, high), rel=1e-12)


def test_one_reading_takes_the_stated_error():
    assert from_readings([4210.0], stated_error=2.0) == Estimate(value=4210.0, standard_error=2.0)


def test_propagation_against_the_end_gauge_example():
    # JCGM 100:2008, H.1.5 and H.1.6 (from memory): standard uncertainties of 25, 9.7 and 16.6 nm with 18, 25.6 and
    # 2 degrees of freedom (and 2.9 nm that is stated) combine to 32 nm with 16 degrees of freedom.
    parts = [(25, 18), (9.7, 25.6), (2.9, math.inf), (16.6, 2)]
    found = propagated(lambda *x: sum(x), *(Estimate(value=0, standard_error=u, freedom=v) for u, v in parts))
    assert round(found.standard_error) == 32
    assert math.floor(found.freedom) == 16


def test_propagation_against_simulated_readings():
    rng = np.random.default_rng(4)
    inputs = [Estimate(value=10, standard_error=0.05), Estimate(value=400, standard_error=2)]
    found = propagated(lambda a, b: b / a, *inputs)
    drawn = rng.normal(400, 2, 200_000) / rng.normal(10, 0.05, 200_000)
    # 200,000 draws give a standard deviation to 0.16 %; five of those, and the curvature of 1/x at 0.5 %.
    assert found.standard_error == pytest.approx(float(np.std(drawn)), rel=0.01)


def test_an_exact_input_adds_nothing():
    found = propagated(lambda a, b: a * b, Estimate(value=2, standard_error=0.1), Estimate(value=3))
    assert (found.value, found.freedom) == (6, math.inf)
    assert found.standard_error == pytest.approx(0.3, rel=1e-9)
