"""What is lost at the edges when frames are scaled to match."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from optics.rigs import lens, objective

from stacker.optics.lenses import measured
from stacker.optics.perspective import edge_loss, edge_reference


def test_edge_loss_of_a_moving_camera_by_similar_triangles():
    # derived: what fills the nearest camera's frame, u away, shows smaller by u/(u + d) from d farther back
    rig = lens(focal_length_mm=100, f_number=5.6, max_magnification=1, pupil_magnification=0.5)
    assert rig.entrance_pupil_mm == pytest.approx(300)
    half_frame = 300.0  # at tan = 1 in the nearest frame
    seen_from_farther = half_frame / (300 + 6)
    assert edge_loss(rig, moves="camera", first_focus_mm=-1, last_focus_mm=5) == pytest.approx(1 - seen_from_farther)
    assert edge_loss(rig, moves="subject", first_focus_mm=5, last_focus_mm=-1) == pytest.approx(6 / 306)


def test_telecentric_objective_loses_nothing():
    rig = objective(magnification=10, na=0.24, reference_mm=190, tube_lens_mm=190)
    assert edge_loss(rig, moves="camera", first_focus_mm=0, last_focus_mm=1) == 0


def test_unknown_entrance_pupil_gives_no_guess():
    assert edge_loss(measured(magnification=1, f_number=4), moves="camera", first_focus_mm=0, last_focus_mm=1) is None


@pytest.mark.parametrize(("moves", "plane"), [("camera", "nearest"), ("subject", "nearest"), ("rear", "farthest")])
def test_reference_frame_shows_most(moves, plane):
    assert edge_reference(moves) == plane


@given(m=st.floats(0.2, 5), depth=st.floats(0, 20), moves=st.sampled_from(["camera", "subject", "rear"]))
def test_loss_is_a_share_and_grows_with_depth(m, depth, moves):
    rig = lens(focal_length_mm=60, f_number=5.6, max_magnification=0, tubes_mm=60 * m)
    loss = edge_loss(rig, moves=moves, first_focus_mm=0, last_focus_mm=depth)
    deeper = edge_loss(rig, moves=moves, first_focus_mm=0, last_focus_mm=depth + 1)
    assert 0 <= loss < deeper < 1
