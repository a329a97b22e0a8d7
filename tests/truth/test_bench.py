"""The finished stack is as sharp as its plan says: every seam photographed, by wave optics of another kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from truth.bench import DefocusedOtf, Lens, Rig, Seam, in_focus_contrast, seams
from truth.setups import SETUPS, TELE, WIDE, Setup, with_focus

from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of


def photographed(setup: Setup, frames: int | None = None, longer: float = 1.0) -> tuple[list[Seam], np.ndarray]:
    """Every seam of the planned stack, or of its first frames, as the bench sees it, and as the plan says."""
    rail_um = [position * longer for position in sorted(plan_of(setup.request, {}).frames.rail_um)[:frames]]
    return seams(setup.rig, rail_um), draft_of(setup.request).seam_contrast[: len(rail_um) - 1]


def residuals(found: list[Seam], predicted: np.ndarray) -> np.ndarray:
    """Relative difference of the softest place, the nearer and the farther frame, (seams, 3)."""
    measured = np.array([(seam.softest, seam.nearer, seam.farther) for seam in found])
    return measured / predicted[:, None] - 1


def worst(difference: np.ndarray) -> str:
    at = np.abs(difference).argmax(axis=0)
    return "  ".join(f"{100 * difference[row, column]:+7.3f} %" for column, row in enumerate(at))


# Of every kind of rig and light one; the campaign photographs the others too, and the moving rear standard to its end.
QUICK = (
    "0.4x f/2.8, pixels rule",
    "1.5x f/5.6, pupil 0.5",
    "3x f/4, pupil 1.8",
    "2.5x f/4 reversed, pupil 1.5",
    "20x NA 0.40",
    "5x NA 0.12, three lamps",
)


@pytest.mark.parametrize(
    "name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.campaign) for name in SETUPS]
)
def test_every_seam_keeps_the_share_that_the_plan_says(name, record_property):
    setup = SETUPS[name]
    found, predicted = photographed(setup)
    assert len(found) >= 3
    difference = residuals(found, predicted)
    record_property("residuals", f"{name:34}{len(found):5}  {predicted.min():9.4f}  {worst(difference)}")
    assert np.abs(difference).max() < setup.tolerance
    assert plan_of(setup.request, {}).coverage.seam_contrast == pytest.approx(predicted.min(), rel=1e-5)


def test_the_first_seams_of_a_moving_rear_standard_keep_it_too():
    setup = SETUPS["1.7x f/5.6, rear standard moves"]
    assert np.abs(residuals(*photographed(setup, frames=3))).max() < setup.tolerance


def request_of(setup: Setup, **rig) -> Setup:
    """A planner that believes something else of the lens than what stands on the bench."""
    return replace(setup, request=replace(setup.request, rig=replace(setup.request.rig, **rig)))


WRONG = {
    "pupil magnification inverted": request_of(TELE, pupil_magnification=2.0),
    "pupil magnification ignored": request_of(TELE, pupil_magnification=1.0),
    "pupil magnification above 1 inverted": request_of(WIDE, pupil_magnification=1 / 1.8),
    "pupil magnification above 1 ignored": request_of(WIDE, pupil_magnification=1.0),
    # N_e = N: the f-number that gives N_e = 5.6 in N (1 + m/P)
    "effective f-number taken as marked": request_of(TELE, f_number=5.6 / (1 + 1.5 / 0.5)),
}


@pytest.mark.parametrize("name", WRONG)
def test_the_bench_sees_a_planner_that_has_the_pupils_wrong(name, record_property):
    found, predicted = photographed(WRONG[name], frames=2)
    difference = residuals(found, predicted)
    record_property("residuals", f"{'wrong: ' + name:44} {predicted.min():9.4f}  {worst(difference)}")
    assert np.abs(difference[:, 0]).min() > 5 * WRONG[name].tolerance


@pytest.mark.parametrize("name", ["1.5x f/5.6, pupil 0.5", "0.4x f/2.8, pixels rule", "20x NA 0.40"])
@pytest.mark.parametrize("longer", [1.05, pytest.param(0.95, marks=pytest.mark.campaign)])
def test_the_bench_sees_steps_five_per_cent_off(name, longer):
    difference = residuals(*photographed(SETUPS[name], 2, longer))
    assert np.abs(difference[:, 0]).min() > SETUPS[name].tolerance
    assert np.sign(difference[0, 0]) == np.sign(1 - longer)


def test_past_the_first_zero_both_count_detail_as_reversed(record_property):
    # a circle of confusion of 75 um: a step of more than three contrast slices
    setup = with_focus(TELE, model="blur_circle", circle_um=75.0, overlap=0.0)
    setup = replace(setup, request=replace(setup.request, subject=replace(setup.request.subject, depth_mm=5.0)))
    found, predicted = photographed(setup, frames=3)
    record_property("residuals", f"{'signed: a step past the first zero':44} {predicted.min():9.4f}")
    assert predicted.max() < -0.02
    # the seam is no longer the softest place between its planes, so the two frames are compared at the seam itself
    for seam, share in zip(found, predicted, strict=True):
        assert (seam.nearer + seam.farther) / 2 == pytest.approx(share, abs=0.01)


# ---------------------------------------------------------------------------------------------- the bench itself


@pytest.mark.parametrize("pupil", [0.5, 1.0, 1.8])
@pytest.mark.parametrize("magnification", [0.5, 2.0])
def test_the_traced_lens_has_the_pupils_it_should(pupil, magnification):
    # the entrance pupil from infinity is f/N wide, the exit pupil P times that: both from the stop by 1/f = 1/a + 1/b
    lens = Lens.of(focal_mm=80, f_number=5, pupil_magnification=pupil)
    imaged = lens.stop_radius_mm / abs(1 - abs(lens.stop_mm) / 80)
    entrance, exit_ = (imaged, lens.stop_radius_mm) if lens.stop_mm >= 0 else (lens.stop_radius_mm, imaged)
    assert entrance == pytest.approx(8)
    assert exit_ / entrance == pytest.approx(pupil)
    view = lens.seen_from(80 * (1 + 1 / magnification))
    assert view.magnification == pytest.approx(magnification)


def test_the_otf_in_focus_is_the_closed_form():
    rig = Rig(magnification=1.5, pitch_um=4, lens=Lens.of(focal_mm=85, f_number=5.6, pupil_magnification=0.5))
    nu = 40.0
    view = rig.front
    otf = DefocusedOtf(rig, view, nu, reach_mm=0.1, depths=5)
    _, row = otf.at(np.array([0.0]))
    # without lines along x; the pixel is not part of the OTF; 256 samples across the pupil are good to 1.5e-4
    assert row[0, 0] == pytest.approx(in_focus_contrast(nu, rig, view) / np.sinc(nu * 4e-3), abs=2e-4)
