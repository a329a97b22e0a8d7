"""Where a slice begins and ends: near and far of the plane of focus are not alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from planning.laid import lay_planes

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig, ObjectiveRig
from stacker.documents.subject import Subject
from stacker.planning.draft import draft_of


def test_near_and_far_of_a_worked_example():
    # 169 mm near and 250 mm far of a plane 1043 mm from the pupil: by 1/a - 1/b = 2/u, and a + b = 419
    planes = lay_planes(depth_um=100_000, step_um=400_000, slice_um=419_000, entrance_pupil_um=1_043_000, end_frames=0)
    assert -planes.near_um[0] / 1000 == pytest.approx(169, abs=0.5)
    assert planes.far_um[0] / 1000 == pytest.approx(250, abs=0.5)
    assert planes.far_um - planes.near_um == pytest.approx(planes.slice_um)


@pytest.mark.parametrize("moves", ["camera", "rear"])
def test_both_ends_of_a_slice_blur_to_the_same_circle(moves):
    """By similar triangles: a point at z paints c = m D |z - s|/z on the sensor, D the pupil, s its distance."""
    rig = LensRig(focal_length_mm=50, max_magnification=0.0, f_number=2.8, tubes_mm=(5.0,), working_distance_mm=400)
    request = Request(
        moves=moves,
        rig=rig,
        camera=Camera(sensor_mm=(24, 16), pixels=(6000, 4000)),
        subject=Subject(depth_mm=30),
        focus=Focus(model="blur_circle", circle_um=30),
    )
    draft = draft_of(request)
    planes = draft.planes
    pupil_mm = 50 / 2.8
    for i in (0, len(planes.focus_um) // 2, -1):
        m = draft.aperture.magnification[i]
        to_focus_mm = 50 * (1 / m + 1)  # a pupil magnification of 1 has its pupils in the principal planes

        def circle_um(depth_um, to_focus_mm=to_focus_mm, i=i, m=m):
            to_point_mm = to_focus_mm + (depth_um - planes.focus_um[i]) / 1000
            return 1000 * m * pupil_mm * abs(to_point_mm - to_focus_mm) / to_point_mm

        assert circle_um(planes.near_um[i]) == pytest.approx(30, rel=1e-6)
        assert circle_um(planes.far_um[i]) == pytest.approx(30, rel=1e-6)


def test_without_perspective_both_halves_are_alike():
    rig = ObjectiveRig(magnification=5, na=0.12, reference_mm=190, tube_lens_mm=190)
    request = Request(rig=rig, camera=Camera(sensor_mm=(24, 16), pixels=(6000, 4000)), subject=Subject(depth_mm=1))
    planes = draft_of(request).planes
    assert planes.far_um - planes.focus_um == pytest.approx(planes.focus_um - planes.near_um)
    measured = draft_of(replace(request, rig=replace(rig, entrance_pupil_mm=20))).planes
    assert np.all(measured.far_um - measured.focus_um > measured.focus_um - measured.near_um)
