"""A subject in resin behind a flat face, by rays through the face: Snell's law, path lengths, FFT.

Nothing here is taken from the planner but the places where the rail stops. From a point behind the face rays are
traced to the face, refracted, and measured up to a plane across each emerging ray, which gives the error of the wave
over the pupil. The pupil goes to the point's image and back by prysm. Spherical aberration of the face is in it.

Sources: Snell's law and n sin a = NA (any optics text); the third-order aberration of a plate, W. J. Smith, Modern
Optical Engineering, ch. 4 (from memory), here only as a number to compare with.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from prysm.coordinates import cart_to_polar, make_xy_grid
from prysm.geometry import circle
from prysm.otf import otf_from_psf
from prysm.propagation import Wavefront
from truth.setups import RAIL, objective_setup

from stacker.documents.focus import Focus
from stacker.documents.plan_file import read_plan, write_plan
from stacker.documents.subject import Subject
from stacker.optics.aberration import plate_w040_um, sharpest_w040_waves
from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of

RESIN = 1.54
NA, MAGNIFICATION, LAM_UM = 0.12, 5.0, 0.55
SAMPLES = 256


def path_um(depth_um: float, sine: np.ndarray, index: float) -> np.ndarray:
    """Path from a point `depth_um` behind the face, along rays that leave it at `sine`, to the plane across each ray.

    The planes go through the place on the face straight above the point; a wave of no error would be focused on it.
    """
    inside = np.arcsin(sine / index)  # Snell
    off_axis_um = depth_um * np.tan(inside)
    return index * depth_um / np.cos(inside) - off_axis_um * sine


def wave_error_um(depth_um: float, rail_um: float, sine: np.ndarray, index: float = RESIN) -> np.ndarray:
    """Against a lens whose focus, were there no face, would lie `rail_um` behind it."""
    error = path_um(depth_um, sine, index) - rail_um * np.sqrt(1 - sine**2)
    return error - error.flat[np.argmin(sine)]


def contrast(depth_um: float, rail_um: float, s: float, na: float = NA) -> float:
    """Contrast, diffraction and all, at a share `s` of the cut-off."""
    shift = int(SAMPLES * s / 1.02)
    spacing = 2 * s / shift
    rho, _ = cart_to_polar(*make_xy_grid(SAMPLES, dx=spacing))
    error_um = wave_error_um(depth_um, rail_um, na * np.minimum(rho, 1.0))
    wave = Wavefront.from_amp_and_phase(circle(1.0, rho).astype(float), error_um * 1000, LAM_UM, spacing)
    otf = otf_from_psf(wave.focus(1.0, Q=2).intensity).data.real
    centre = otf.shape[0] // 2
    return float(otf[centre, centre + shift])


def in_resin(**subject: float):
    setup = objective_setup(m=MAGNIFICATION, na=NA, depth_mm=0.2)
    block = Subject(depth_mm=0.2, **subject)
    return replace(setup.request, subject=block, focus=Focus(end_frames=0), rail=replace(RAIL, lead_mm=0.5))


def softest(rail_um: list[float], s: float) -> float:
    """The worst seam, each point by the better of its two frames, over the contrast in focus."""
    worst = 1.0
    for first_um, second_um in pairwise(rail_um):
        # the seam lies where both frames show a point alike
        depths_um = RESIN * np.linspace(first_um, second_um, 9)[2:-2]
        best = [max(contrast(depth, first_um, s), contrast(depth, second_um, s)) for depth in depths_um]
        worst = min(worst, min(best) / contrast(RESIN * first_um, first_um, s))
    return worst


def held_s(draft) -> float:
    cutoff_lp_mm = 2 * NA / (LAM_UM * 1e-3) / MAGNIFICATION
    return min(draft.criterion.target_lp_mm / cutoff_lp_mm, 0.494)


def test_every_seam_in_resin_keeps_what_the_plan_says():
    draft = draft_of(in_resin(index=RESIN))
    s = held_s(draft)
    # 0.2 mm of resin adds 0.002 waves of spherical aberration: nothing
    assert softest(draft.planes.rail_um.tolist()[:4], s) == pytest.approx(float(draft.seam_contrast.min()), abs=0.005)
    # depth as deep as in resin and not as in air: the travel is the depth over the index
    assert draft.planes.focus_um == pytest.approx(RESIN * draft.planes.rail_um)
    assert draft.planes.focus_um[-1] >= 200


def test_steps_as_long_as_in_the_resin_itself_would_leave_soft_seams():
    # what an immersion objective may do, a dry lens may not: the same steps times the index
    draft = draft_of(in_resin(index=RESIN))
    long_um = (RESIN * draft.planes.rail_um[:4]).tolist()
    assert softest(long_um, held_s(draft)) < float(draft.seam_contrast.min()) - 0.08


def test_the_rail_steps_as_in_air_and_the_lens_is_stopped_by_the_face():
    air = plan_of(in_resin(), {})
    resin = plan_of(in_resin(index=RESIN, below_face_mm=1.54), {})
    assert resin.motion.step_microsteps == air.motion.step_microsteps
    assert resin.motion.travel_mm < air.motion.travel_mm / 1.4
    assert resin.depth_of_field.total_um == pytest.approx(RESIN * air.depth_of_field.total_um, rel=1e-4)


def test_a_plan_in_resin_can_be_written_and_read_back(tmp_path):
    path = tmp_path / "resin.plan.yaml"
    write_plan(plan_of(in_resin(index=RESIN, below_face_mm=1), {}), path)
    assert read_plan(path).frames.rail_um[-1] == pytest.approx(read_plan(path).frames.focus_um[-1] / RESIN, abs=1e-3)


@pytest.mark.parametrize(("na", "thickness_um"), [(0.24, 3500.0), (0.40, 460.0), (0.12, 500.0)])
def test_the_aberration_of_a_plate_is_that_of_rays_through_it(na, thickness_um):
    # the error of the wave where the rays near the axis are in focus, as a series in the height on the pupil
    rho = np.linspace(0, 1, 400)
    exact_um = wave_error_um(thickness_um, thickness_um / RESIN, na * rho)
    terms = np.stack([np.ones_like(rho), rho**2, rho**4, rho**6, rho**8], axis=1)
    fitted = np.linalg.lstsq(terms, exact_um, rcond=None)[0]
    third = plate_w040_um(thickness_um=thickness_um, index=RESIN, na=na)
    assert abs(fitted[2]) == pytest.approx(third, rel=0.005)
    assert abs(fitted[1]) < 0.01 * third


@pytest.mark.parametrize(("na", "depth_mm"), [(0.28, 1.9), (0.42, 0.38)])
def test_one_wave_lies_where_third_order_theory_puts_it(na, depth_mm):
    # derived by hand: t (n^2 - 1) NA^4/(8 n^3) is one wave of 550 nm in resin of 1.54; depths to two digits
    assert plate_w040_um(thickness_um=depth_mm * 1000, index=RESIN, na=na) / LAM_UM == pytest.approx(1.0, abs=0.03)


def test_one_wave_refocused_is_a_quarter_wave():
    # Rayleigh: W(rho) = W040 (rho^4 - rho^2) spans a quarter of W040
    rho = np.linspace(0, 1, 100_001)
    assert np.ptp(rho**4 - rho**2) == pytest.approx(sharpest_w040_waves(0.25) ** -1 * 0.25, rel=1e-6)
