"""Published lens prescriptions traced by an optical design library, for what ``data/traces.json`` records.

The library knows surfaces and glasses only. The prescriptions ship with it: a telephoto (M. Laikin, Lens Design,
4th ed.), a double Gauss and a reverse telephoto. ``python tests/optics/tracing.py`` (with the extra `reference`) prints
the file anew; the campaign compares.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass

import numpy as np
from optiland.samples.objectives import DoubleGauss, ReverseTelephoto, Telephoto
from scipy.optimize import brentq

F_NUMBER = 5.6


@dataclass(frozen=True, kw_only=True)
class Traced:
    """One set-up in focus, by paraxial rays."""

    focal_mm: float
    pupil_magnification: float
    magnification: float
    effective_f_number: float
    entrance_pupil_mm: float
    exit_pupil_mm: float


def _number(value) -> float:
    return float(np.ravel(value)[0])


def _set_up(prescription, *, flipped=False):
    system = prescription()
    if flipped:
        system.updater.flip()
    system.fields.set_type("object_height")
    return system


def _focus(system) -> float:
    """Put the image plane where the axial ray crosses the axis; return that gap."""
    last = system.surfaces.num_surfaces - 2
    heights, slopes = (np.ravel(x) for x in system.paraxial.marginal_ray())
    gap = -heights[-2] / slopes[-2]
    system.updater.set_thickness(gap, last)
    return gap


def trace(prescription, magnification: float, *, flipped=False, entrance_pupil_per_f=1 / F_NUMBER) -> Traced:
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


def forward(prescription) -> list[dict[str, float]]:
    return [asdict(trace(prescription, m)) for m in (0.5, 1, 2)]


def reversed_at_2(prescription) -> list[dict[str, float]]:
    # the same diaphragm: seen from the other side, its image is the former exit pupil
    pupil_per_f = trace(prescription, 2).pupil_magnification / F_NUMBER
    return [asdict(trace(prescription, 2, flipped=True, entrance_pupil_per_f=pupil_per_f))]


def moved_back(prescription) -> list[dict[str, float]]:
    """Give the magnification of a lens set to 0.15 with the image plane moved back by 0.24 f."""
    system = _set_up(prescription)
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
    return [{"magnification": -_number(system.paraxial.magnification())}]


def edge_ray_at_1(prescription) -> list[dict[str, float]]:
    """Give the sines of the real edge ray at life size and f/8."""
    system = _set_up(prescription)
    focal = _number(system.paraxial.f2())
    system.set_aperture("EPD", focal / 8)
    distance = focal - _number(system.paraxial.F1())
    system.updater.set_thickness(distance, 0)
    _focus(system)
    system.trace_generic(0.0, 0.0, 0.0, 1.0, system.primary_wavelength)
    height = np.ravel(system.surfaces.y)[1]
    depth = np.ravel(system.surfaces.z)[1] + distance  # the first surface's sag included
    on_subject, on_sensor = height / np.hypot(height, depth), abs(np.ravel(system.surfaces.M)[-1])
    return [{"sine_on_subject": float(on_subject), "sine_on_sensor": float(on_sensor)}]


LENSES = {"telephoto": Telephoto, "double Gauss": DoubleGauss, "reverse telephoto": ReverseTelephoto}
CASES: dict[str, Callable[[object], list[dict[str, float]]]] = {
    "forward": forward,
    "reversed": reversed_at_2,
    "moved back": moved_back,
    "edge ray": edge_ray_at_1,
}


if __name__ == "__main__":
    found = {name: {case: of(lens) for case, of in CASES.items()} for name, lens in LENSES.items()}
    print(json.dumps(found, indent=1))
