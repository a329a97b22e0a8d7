"""What a plan's rig does out of focus, beside what the plan itself promises."""

import numpy as np
import pytest

from stacker.documents.plan_file import read_plan
from stacker.looking.through_focus import band_curves
from stacker.planning.out_of_focus import OutOfFocus


@pytest.fixture
def beetle(plans):
    return read_plan(plans / "leaf_beetle.plan.yaml")


def test_at_the_planned_step_the_seam_keeps_what_the_plan_says(beetle):
    kept = OutOfFocus.of(beetle).seam(beetle.coverage.step_um)
    assert kept == pytest.approx(beetle.coverage.seam_contrast, abs=2e-3)  # steps are whole microsteps
    assert OutOfFocus.of(beetle).seam(20 * beetle.coverage.step_um) >= 0


def test_in_a_smaller_picture_the_same_detail_has_fewer_pixels(beetle):
    optics = OutOfFocus.of(beetle)
    columns, rows = beetle.request.camera.pixels
    off_um = np.linspace(0, 300, 7)
    whole, half = optics.curve((rows, columns)), optics.curve((rows // 2, columns // 2))
    assert half(off_um, 0.2) == pytest.approx(whole(off_um, 0.1), rel=1e-3)
    assert whole(off_um, 0.1)[0] == pytest.approx(1)
    assert np.isfinite(whole(off_um, 5.0)).all()  # far past the cut-off


def test_what_the_same_optics_do_is_reckoned_once(beetle):
    """A run that is watched is judged anew at each of its frames."""
    curves = [
        band_curves(OutOfFocus.of(beetle).curve(pixels), 20.0) for pixels in ((400, 600), (400, 600), (800, 1200))
    ]
    assert curves[0] is curves[1]
    assert not np.array_equal(curves[0][0].share, curves[2][0].share)
