"""Rigs against a paraxial trace of published lens prescriptions, by an optical design library.

The prescriptions ship with optiland: a telephoto (M. Laikin, Lens Design, 4th ed.), a double Gauss and a reverse
telephoto. The trace knows surfaces and glasses only, and its recorded values are those of optiland 0.6; f and P are
taken from it, the rest must follow. Both agree to the rounding of doubles; 1e-9 leaves room for other platforms'
arithmetic.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pytest
from optics.rigs import lens, reversed_lens
from optiland.samples.objectives import DoubleGauss, ReverseTelephoto, Telephoto
from scipy.optimize import brentq

from stacker.optics.imaging import LensState

F_NUMBER = 5.6
ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True)
class Traced:
    focal_mm: float
    pupil_magnification: float
    magnification: float
    effective_f_number: float
    entrance_pupil_mm: float
    exit_pupil_mm: float


def _number(value):
    return float(np.ravel(value)[0])


def _set_up(prescription, *, flipped):
    system = prescription()
    if flipped:
        system.updater.flip()
    system.fields.set_type("object_height")
    return system


def _focus(system):
    """Put the image plane where the axial ray crosses the axis; return that gap."""
    last = system.surfaces.num_surfaces - 2
    heights, slopes = (np.ravel(x) for x in system.paraxial.marginal_ray())
    gap = -heights[-2] / slopes[-2]
    system.updater.set_thickness(gap, last)
    return gap


def _trace(prescription, magnification, *, flipped=False, entrance_pupil_per_f=1 / F_NUMBER):
    system = _set_up(prescription, flipped=flipped)
    focal = _number(system.paraxial.f2())
    system.set_aperture("EPD", focal * entrance_pupil_per_f)
    distance = focal / magnification - _number(system.paraxial.F1())
    system.updater.set_thickness(distance, 0)
    _focus(system)
    slopes = np.ravel(system.paraxial.marginal_ray()[1])
    return Traced(
        focal_mm=focal,
        pupil_magnification=_number(system.paraxial.XPD()) / _number(system.paraxial.EPD()),
        magnification=-_number(system.paraxial.magnification()),
        effective_f_number=1 / (2 * abs(slopes[-1])),
        entrance_pupil_mm=distance + _number(system.paraxial.EPL()),
        exit_pupil_mm=-_number(system.paraxial.XPL()),
    )


@pytest.mark.parametrize(
    ("prescription", "focal_mm", "pupil_magnification", "rows"),
    [
        (
            Telephoto,
            127.016601138,
            0.734585839,
            [
                (0.5, 9.41167163, 426.942336, 156.812897),
                (1, 13.2233433, 299.925735, 220.321198),
                (2, 20.8466865, 236.417434, 347.337799),
            ],
        ),
        (
            DoubleGauss,
            100.003747871,
            1.146401306,
            [
                (0.5, 8.04242569, 287.240254, 164.646301),
                (1, 10.4848514, 187.236506, 214.648175),
                (2, 15.3697028, 137.234632, 314.651923),
            ],
        ),
        (
            ReverseTelephoto,
            2.00524027080,
            1.535116454586,
            [
                (0.5, 7.42396585721, 5.31672689497, 4.08089747050),
                (1, 9.24793171441, 3.31148662417, 5.08351760590),
                (2, 12.8958634288, 2.30886648877, 7.08875787670),
            ],
        ),
    ],
)
def test_f_numbers_and_pupils_of_real_lenses(prescription, focal_mm, pupil_magnification, rows):
    for m, effective, entrance_mm, exit_mm in rows:
        traced = _trace(prescription, m)
        # the trace itself is the one that was recorded (nine digits as printed)
        assert traced.focal_mm == pytest.approx(focal_mm, rel=1e-9)
        assert traced.pupil_magnification == pytest.approx(pupil_magnification, rel=1e-8)
        assert traced.effective_f_number == pytest.approx(effective, rel=1e-8)
        assert traced.entrance_pupil_mm == pytest.approx(entrance_mm, rel=1e-8)
        assert traced.exit_pupil_mm == pytest.approx(exit_mm, rel=1e-8)
        rig = lens(
            focal_length_mm=traced.focal_mm,
            f_number=F_NUMBER,
            max_magnification=0,
            tubes_mm=m * traced.focal_mm,
            pupil_magnification=traced.pupil_magnification,
        )
        assert rig.magnification == pytest.approx(traced.magnification, rel=ROUNDING)
        assert rig.effective_f_number == pytest.approx(traced.effective_f_number, rel=ROUNDING)
        assert rig.entrance_pupil_mm == pytest.approx(traced.entrance_pupil_mm, rel=ROUNDING)
        state = LensState.of_lens(
            focal_length_mm=traced.focal_mm,
            f_number=F_NUMBER,
            pupil_magnification=traced.pupil_magnification,
            magnification=m,
        )
        assert state.exit_pupil_to_sensor_mm == pytest.approx(traced.exit_pupil_mm, rel=ROUNDING)


@pytest.mark.skipif(sys.version_info < (3, 11), reason="the last optiland for Python 3.10 cannot flip a lens")
@pytest.mark.parametrize("prescription", [Telephoto, DoubleGauss, ReverseTelephoto])
def test_reversed_real_lens(prescription):
    forward = _trace(prescription, 2)
    # the same diaphragm: seen from the other side, its image is the former exit pupil
    backward = _trace(prescription, 2, flipped=True, entrance_pupil_per_f=forward.pupil_magnification / F_NUMBER)
    rig = reversed_lens(
        focal_length_mm=forward.focal_mm,
        f_number=F_NUMBER,
        pupil_magnification=forward.pupil_magnification,
        image_distance_mm=3 * forward.focal_mm,
    )
    assert rig.magnification == pytest.approx(backward.magnification, rel=ROUNDING)
    assert rig.pupil_magnification == pytest.approx(backward.pupil_magnification, rel=ROUNDING)
    assert rig.effective_f_number == pytest.approx(backward.effective_f_number, rel=ROUNDING)
    assert rig.entrance_pupil_mm == pytest.approx(backward.entrance_pupil_mm, rel=ROUNDING)
    if prescription is Telephoto:
        assert backward.effective_f_number == pytest.approx(18.823343255, rel=1e-10)


@pytest.mark.parametrize("prescription", [Telephoto, DoubleGauss, ReverseTelephoto])
def test_extension_of_a_real_lens_held_at_its_setting(prescription):
    # m0 = .15 and the image plane moved back .24 f give m = .39, to ten digits
    system = _set_up(prescription, flipped=False)
    focal = _number(system.paraxial.f2())
    system.set_aperture("EPD", focal / F_NUMBER)
    front_focus = _number(system.paraxial.F1())
    system.updater.set_thickness(focal / 0.15 - front_focus, 0)
    image_mm = _focus(system) + 0.24 * focal

    def image_behind_plane(distance):
        system.updater.set_thickness(distance, 0)
        return _focus(system) - image_mm

    # bring the subject closer until its image falls on the plane moved back
    brentq(image_behind_plane, focal / 0.5 - front_focus, focal / 0.3 - front_focus, xtol=1e-12)
    traced = -_number(system.paraxial.magnification())
    rig = lens(focal_length_mm=focal, f_number=F_NUMBER, max_magnification=0.15, tubes_mm=0.24 * focal)
    assert traced == pytest.approx(0.39, abs=1e-10)
    assert rig.magnification == pytest.approx(traced, abs=1e-10)


@pytest.mark.filterwarnings("ignore:variable:numba.core.errors.NumbaIRAssumptionWarning")  # numba on optiland's loops
@pytest.mark.parametrize(("prescription", "error"), [(DoubleGauss, 0.001), (Telephoto, 0.01)])
def test_real_rays_at_life_size_keep_the_sine_condition_nearly(prescription, error):
    # The aperture on the subject's side, m/(2 N_e), rests on it. Recorded from real rays at f/8: 0.1 % and 1 %;
    # a quarter more is allowed, since one digit is recorded.
    system = _set_up(prescription, flipped=False)
    focal = _number(system.paraxial.f2())
    system.set_aperture("EPD", focal / 8)
    distance = focal - _number(system.paraxial.F1())
    system.updater.set_thickness(distance, 0)
    _focus(system)
    system.trace_generic(0.0, 0.0, 0.0, 1.0, system.primary_wavelength)
    height = np.ravel(system.surfaces.y)[1]
    depth = np.ravel(system.surfaces.z)[1] + distance  # the first surface's sag included
    sine_on_subject = height / np.hypot(height, depth)
    sine_on_sensor = abs(np.ravel(system.surfaces.M)[-1])
    assert sine_on_subject / sine_on_sensor == pytest.approx(1, abs=1.25 * error)
    rig = lens(
        focal_length_mm=focal,
        f_number=8,
        max_magnification=0,
        tubes_mm=focal,
        pupil_magnification=_trace(prescription, 1).pupil_magnification,
    )
    # the paraxial pupil lets the real edge ray through at nearly the planner's aperture
    assert sine_on_subject == pytest.approx(rig.object_na, rel=1.25 * error)
