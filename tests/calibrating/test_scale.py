import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.calibrating.estimate import Estimate
from stacker.calibrating.scale import Ruler, entrance_pupil_mm, magnification, pupil_magnification
from stacker.errors import Refusal

PITCH_UM = 23.5 / 6000 * 1000


def ruler(pixels, length_mm, *, pixel_error=2.0, length_error_mm=0.02, moved_mm=None, after=None):
    return Ruler(
        length_mm=Estimate(value=length_mm, standard_error=length_error_mm),
        pixels=Estimate(value=pixels, standard_error=pixel_error),
        pixel_pitch_um=PITCH_UM,
        moved_mm=None if moved_mm is None else Estimate(value=moved_mm),
        pixels_after=None if after is None else Estimate(value=after, standard_error=pixel_error),
    )


def test_a_ruler_that_fills_the_width_is_as_wide_as_the_field():
    # By hand: 6000 pixels are 23.5 mm; 18.2 mm of ruler across them make 23.5/18.2.
    found = magnification(ruler(6000, 18.2))
    assert found.value == pytest.approx(23.5 / 18.2, rel=1e-12)
    # By hand: 2/6000 and 0.02/18.2 in squares.
    assert found.standard_error / found.value == pytest.approx(((2 / 6000) ** 2 + (0.02 / 18.2) ** 2) ** 0.5, rel=1e-6)


@given(
    focal_length_mm=st.floats(20, 200),
    pupil=st.floats(0.4, 2.5),
    m=st.floats(0.1, 4),
    moved_mm=st.floats(2, 30),
)
def test_frames_by_ray_construction_give_entrance_pupil_and_pupil_magnification(focal_length_mm, pupil, m, moved_mm):
    # Paraxial rays, not the formula: the lens is its two principal planes; the entrance pupil lies where a ray through
    # it leaves by the exit pupil, magnified P times. A ray from a ruler mark through the centre of the entrance
    # pupil is followed to the sensor.
    to_front_principal = focal_length_mm * (1 + 1 / m)
    sensor = focal_length_mm * (1 + m)
    # An object s in front of the front principal plane is imaged f/(f - s) times as large: that is P for the pupils.
    pupil_at = -focal_length_mm * (1 - 1 / pupil)  # behind that plane

    def height_on_sensor(mark_mm, away_mm):
        slope = -mark_mm / (to_front_principal + away_mm + pupil_at)  # toward the pupil's centre
        height = mark_mm + slope * (to_front_principal + away_mm)  # at the principal planes
        return height + (slope - height / focal_length_mm) * sensor

    length_mm = 5.0
    counts = [abs(height_on_sensor(length_mm, away)) * 1000 / PITCH_UM for away in (0.0, moved_mm)]
    frames = ruler(counts[0], length_mm, pixel_error=1e-4, length_error_mm=0.0, moved_mm=moved_mm, after=counts[1])
    # the distance is a small difference of counts, and 1/P one of distances: each step loses three digits of double
    assert magnification(frames).value == pytest.approx(m, rel=1e-9)
    assert entrance_pupil_mm(frames).value == pytest.approx(to_front_principal + pupil_at, rel=1e-6)
    assert pupil_magnification(frames, focal_length_mm).value == pytest.approx(pupil, rel=1e-4)


def test_the_pupil_is_as_uncertain_as_the_difference_of_the_counts():
    # By hand: u = d n'/(n - n') with n = 4000, n' = 3800, d = 5: 95 mm; the derivatives are d n'/(n-n')^2 = 0.475 and
    # d n/(n-n')^2 = 0.5 mm a pixel.
    found = entrance_pupil_mm(ruler(4000, 10, moved_mm=5, after=3800))
    assert found.value == pytest.approx(95)
    assert found.standard_error == pytest.approx(2 * (0.475**2 + 0.5**2) ** 0.5, rel=1e-4)


@pytest.mark.parametrize("after", [3998, 4000, 4100])
def test_two_frames_that_hardly_differ_are_refused(after):
    with pytest.raises(Refusal, match="move the rail farther away"):
        entrance_pupil_mm(ruler(4000, 10, moved_mm=0.1, after=after))


def test_a_focal_length_that_does_not_fit_is_refused():
    # By hand: m = 4000 * 23.5/6000 / 10 = 1.57, u = 95 mm; f = 200 mm would need 1/P = 95/200 - 1/1.57 < 0.
    with pytest.raises(Refusal, match="check the focal length"):
        pupil_magnification(ruler(4000, 10, moved_mm=5, after=3800), 200.0)
