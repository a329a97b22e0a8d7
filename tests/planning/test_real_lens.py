"""A lens whose contrast was measured: what it resolves, and which f-number suits a goal."""

from __future__ import annotations

import math

import pytest

from stacker.documents.loading import load_request
from stacker.planning.aperture_search import Goal, best_aperture
from stacker.planning.apertures import aperture_rows

TEXT = """
rig: {kind: measured, magnification: 2.5, f_number: 4}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}
subject: {depth_mm: 1.5}
"""


def details(**focus):
    changes = [f"focus.{key}={value}" for key, value in focus.items()]
    rows = aperture_rows(load_request("x.yaml", changes, text=TEXT).value)
    return {row.f_number: row.finest_detail_um for row in rows}


def test_a_softer_lens_shows_less_at_every_f_number_and_least_of_a_difference_stopped_down():
    perfect, real = details(), details(lens_mtf50_lp_mm=20)
    assert all(real[mark] > perfect[mark] for mark in perfect)
    assert real[32] / perfect[32] < real[11] / perfect[11] < 1.6  # the lens's own blur stays, diffraction grows past it
    assert list(real.values()) == sorted(real.values())


def test_the_detail_that_is_told_for_the_measured_f_number_has_the_contrast_that_counts_as_resolved():
    # By hand, derived: at m 2.5, f/4 the effective f-number is 14, the cut-off 129.87 lp/mm. A perfect lens and pixels
    # of 3.9167 um leave mtf(20/129.87) sinc(20 * 3.9167e-3) = 0.8047 * 0.9899 at 20 lp/mm; the Gaussian that makes it
    # 0.5 is exp(-1.1644e-3 nu^2). Times perfect lens and pixels it is 0.3 at 27.41 lp/mm: 14.594 um on the subject.
    assert details(lens_mtf50_lp_mm=20)[4] == pytest.approx(14.594, abs=0.001)
    s, pixel = 27.408 / 129.870, 27.408 * 3.91667e-3
    perfect = 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s**2)) * math.sin(math.pi * pixel) / (math.pi * pixel)
    assert perfect * math.exp(-1.1644e-3 * 27.408**2) == pytest.approx(0.3, abs=1e-4)


def test_a_goal_of_detail_is_met_by_what_the_real_lens_resolves():
    request = load_request("x.yaml", ["focus.lens_mtf50_lp_mm=20"], text=TEXT).value
    best = best_aperture(request, Goal(detail_um=16))
    assert best is not None
    assert best.finest_detail_um <= 16
    assert best_aperture(request, Goal(detail_um=9)) is None  # a perfect lens would do it
