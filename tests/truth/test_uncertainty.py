"""Gap risk against a million scattered stacks; what an error of the lead and backlash do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from stacker.motion.take_up import take_up_microsteps
from stacker.planning.gap_risk import gap_risk
from stacker.rail.simulated.mechanics import Carriage
from stacker.rail.simulated.options import SimulatedOptions

STEP_UM, DOF_UM, PLANES = 10.0, 14.0, 61
RISK = 0.001
STACKS = 1_000_000
ROOM = {"focus_um": np.arange(PLANES) * STEP_UM, "dof_um": np.full(PLANES, DOF_UM), "depth_um": (PLANES - 1) * STEP_UM}


def closed_form(sigma_um: float, amplitude_um: float, lead_um: float) -> float:
    found = gap_risk(
        **ROOM,
        repeatability_um=sigma_um,
        periodic_error_um=amplitude_um,
        screw_turns=ROOM["focus_um"] / lead_um,
    )
    assert found is not None
    return found


def share_of_open_stacks(sigma_um: float, amplitude_um: float, lead_um: float) -> float:
    """Scatter every stop, begin anywhere in a turn of the screw, and count the stacks with a pair too far apart."""
    rng, opened, batch = np.random.default_rng(2024), 0, 20_000
    for _ in range(STACKS // batch):
        phase = rng.uniform(0, 2 * math.pi, (batch, 1))
        stops_um = ROOM["focus_um"] + amplitude_um * np.sin(2 * math.pi * ROOM["focus_um"] / lead_um + phase)
        stops_um = stops_um + sigma_um * rng.standard_normal((batch, PLANES))
        opened += int(np.count_nonzero((np.diff(stops_um, axis=1) > DOF_UM).any(axis=1)))
    return opened / STACKS


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("amplitude_um", "lead_um"),
    [(0.0, 1000.0), (1.0, 1000.0), (5.0, 500.0), (0.8, 20.0), (1.5, 47.0)],
    ids=["steady screw", "long lead", "bad screw", "half a turn a step", "odd turns"],
)
def test_a_risk_of_a_thousandth_is_what_a_million_stacks_show(amplitude_um, lead_um):
    sigma_um = float(brentq(lambda s: closed_form(s, amplitude_um, lead_um) - RISK, 0.2, 1.2, xtol=1e-9))
    # a thousand stacks in a million open, give or take 32: a tenth is three standard deviations
    assert share_of_open_stacks(sigma_um, amplitude_um, lead_um) == pytest.approx(RISK, rel=0.1)


@pytest.mark.parametrize("lead_error", [0.003, -0.003])
def test_an_error_of_the_lead_scales_every_step(lead_error):
    stretched = {**ROOM, "focus_um": ROOM["focus_um"] * (1 + lead_error)}
    plain = gap_risk(**ROOM, repeatability_um=0.8)
    found = gap_risk(**stretched, repeatability_um=0.8)
    # the room between two slices is 4 um; 0.3 % of a step is 0.03 um of it: known as a shift, not as scatter
    shifted = gap_risk(**(ROOM | {"dof_um": ROOM["dof_um"] - lead_error * STEP_UM}), repeatability_um=0.8)
    assert found == pytest.approx(shifted, rel=1e-9)
    assert (found > plain) == (lead_error > 0)


@pytest.mark.parametrize("backlash", [0, 7, 40])
def test_backlash_adds_nothing_when_every_stop_is_approached_from_one_side(backlash):
    options = SimulatedOptions(backlash=backlash, travel=100_000)
    carriage = Carriage(place=5000.0)
    take_up = take_up_microsteps(backlash_um=float(backlash), microstep_um=1.0)
    stops = 4000 + 37 * np.arange(20)
    carriage.place = carriage.at(int(stops[0]) - take_up, options)  # back past the first stop, then deeper throughout
    places = []
    for stop in stops:
        carriage.place = carriage.at(int(stop), options)
        places.append(carriage.place)
    assert np.diff(places).tolist() == [37.0] * 19
    # without the take-up the first step would be short by what is left of the backlash
    if backlash:
        careless = Carriage(place=5000.0)
        reached = [careless.at(int(stops[0]), options)]
        careless.place = reached[0]
        reached.append(careless.at(int(stops[1]), options))
        assert reached[1] - reached[0] < 37
