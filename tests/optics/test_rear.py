"""A moving rear standard: lens and subject at rest."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from optics.rigs import lens, objective

from stacker.optics.impossible import Impossible
from stacker.optics.lenses import measured
from stacker.optics.perspective import edge_loss
from stacker.optics.rear import rear_depth_mm, rear_focus


def _bellows(m=1.5, p=0.8, f=75.0, converter=None):
    return lens(
        focal_length_mm=f,
        f_number=5.6,
        max_magnification=0,
        tubes_mm=m * f,
        pupil_magnification=p,
        converter=converter,
    )


def test_each_depth_follows_from_the_thin_lens_equation():
    # independent: 1/s + 1/v = 1/f for each plane; the rail goes where the image goes
    depths = np.array([-0.5, 0.0, 2.0, 6.0])
    focus = rear_focus(_bellows(), depths)
    s = 75 * (1 + 1 / 1.5) + depths
    v = 1 / (1 / 75 - 1 / s)
    assert focus.magnification == pytest.approx(v / s)
    assert focus.rail_mm == pytest.approx(v[1] - v, abs=1e-12)
    assert focus.effective_f_number == pytest.approx(5.6 * (1 + v / s / 0.8))
    assert focus.object_na == pytest.approx(v / s / (2 * focus.effective_f_number))


def test_every_depth_is_the_rig_built_for_it():
    focus = rear_focus(_bellows(converter=1.4), 3.0)
    there = _bellows(m=float(focus.magnification) / 1.4, converter=1.4)
    assert focus.effective_f_number == pytest.approx(there.effective_f_number)
    assert focus.object_na == pytest.approx(there.object_na)


@given(m=st.floats(0.3, 6), f=st.floats(20, 150), depth=st.floats(-0.5, 20))
def test_rail_and_depth_are_inverses(m, f, depth):
    rig = _bellows(m=m, f=f)
    focus = rear_focus(rig, [depth, depth + 0.1])
    assert rear_depth_mm(rig, focus.rail_mm) == pytest.approx([depth, depth + 0.1], abs=1e-9)
    assert focus.rail_mm[1] > focus.rail_mm[0]  # positive travel goes deeper


def test_rail_travels_about_m_squared_times_the_depth():
    focus = rear_focus(_bellows(m=2), 1e-6)
    assert focus.rail_mm == pytest.approx(4e-6, rel=1e-6)


def test_edge_loss_is_the_change_of_scale_that_a_ray_trace_finds():
    """Two thin lenses with a stop between; the chief ray lands where the sensor is, and the sensor moves."""
    front_mm, to_stop_mm, from_stop_mm, rear_mm = 90.0, 14.0, 22.0, 70.0

    def lands(height, slope, *elements):
        for kind, value in elements:
            height, slope = (height + slope * value, slope) if kind == "gap" else (height, slope - height / value)
        return height, slope

    whole = (("lens", front_mm), ("gap", to_stop_mm + from_stop_mm), ("lens", rear_mm))
    height, slope = lands(1.0, 0.0, *whole)
    focal_mm, back_focus_mm = -1 / slope, -height / slope
    rig = _bellows(
        m=1.5, f=focal_mm, p=(1 - to_stop_mm / front_mm) / (1 - from_stop_mm / rear_mm)
    )  # size of the stop seen through the rear lens over that through the front lens
    sensor_mm = back_focus_mm + 1.5 * focal_mm
    near, far = (sensor_mm - float(rear_focus(rig, depth_mm).rail_mm) for depth_mm in (0.0, 6.0))
    near_height, far_height = (
        lands(0.0, 0.1, ("gap", from_stop_mm), ("lens", rear_mm), ("gap", at_mm))[0] for at_mm in (near, far)
    )
    expected = 1 - far_height / near_height
    assert edge_loss(rig, moves="rear", first_focus_mm=0.0, last_focus_mm=6.0) == pytest.approx(expected)
    assert edge_loss(rig, moves="rear", first_focus_mm=6.0, last_focus_mm=0.0) == pytest.approx(expected)


@pytest.mark.parametrize(
    "rig",
    [
        measured(magnification=1, f_number=5.6),
        objective(magnification=10, na=0.24, reference_mm=190, tube_lens_mm=190),
    ],
)
def test_refuses_a_rig_without_a_known_lens(rig):
    with pytest.raises(Impossible) as refused:
        rear_focus(rig, 0.0)
    assert refused.value.limit == "lens_unknown"
    assert str(refused.value) == "a moving rear standard needs a lens of known focal length"


def test_refuses_planes_that_no_travel_reaches():
    rig = _bellows()
    with pytest.raises(Impossible, match="cannot focus 50 mm in front of the subject's front"):
        rear_focus(rig, [-50.0, 0.0])
    with pytest.raises(Impossible, match=r"would travel 120 mm; from 112\.5 mm on the lens focuses on nothing"):
        rear_depth_mm(rig, [0.0, 120.0])
    with pytest.raises(Impossible, match=r"would travel 112\.5 mm"):
        rear_depth_mm(rig, 112.5)  # a sensor in the focal plane sees infinity


def test_reaches_planes_close_to_the_focal_point():
    # Newton: half a mm outside the focal point of a 75 mm lens the image is 150 times larger
    assert rear_focus(_bellows(), -49.5).magnification == pytest.approx(150)
