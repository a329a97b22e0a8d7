"""Values that contradict each other, or that nothing on a bench has: most of them are slips of a unit."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.request import Request
from stacker.documents.rigs import LensRig, ReversedRig
from stacker.figures import significant

# All of these are common practice, no source.
_FOCAL_TIMES = 2.5  # the principal planes of wide lenses put the estimate off by up to 1.7
_PITCH_UM = (0.5, 30.0)  # of telephones, and of astronomers
_USUAL_PITCH_UM = 4.0
_LEAST_BACKLASH_UM = 0.5
_LONGEST_FLASH_S = 2.0


def contradictions(request: Request) -> Iterator[str]:
    """What can hardly be, each with the value that would fit."""
    yield from _of_the_lens(request)
    yield from _of_the_sensor(request)
    rail, light = request.rail, request.light
    if rail is not None and 0 < rail.backlash_um < _LEAST_BACKLASH_UM:
        yield (
            f"rail.backlash_um is {rail.backlash_um:g}, less than any screw has: if that is in mm, write "
            f"{rail.backlash_um * 1000:g}"
        )
    if light is not None and light.kind == "flash" and light.exposure_s > _LONGEST_FLASH_S:
        yield (
            f"light.exposure_s is {light.exposure_s:g} with a flash: if 1/{light.exposure_s:g} s is meant, write "
            f"{significant(1 / light.exposure_s)}"
        )


def _of_the_lens(request: Request) -> Iterator[str]:
    rig = request.rig
    if not isinstance(rig, LensRig | ReversedRig) or rig.minimum_focus_mm is None or not rig.max_magnification:
        return
    m = rig.max_magnification
    thin_mm = rig.minimum_focus_mm * m / (1 + m) ** 2
    if not 1 / _FOCAL_TIMES < rig.focal_length_mm / thin_mm < _FOCAL_TIMES:
        yield (
            f"rig.focal_length_mm is {rig.focal_length_mm:g}, but a lens that reaches {m:g}x at minimum_focus_mm "
            f"{rig.minimum_focus_mm:g} has about {significant(thin_mm, 2)} mm: one of the three is wrong"
        )


def _of_the_sensor(request: Request) -> Iterator[str]:
    width_mm, columns = request.camera.sensor_mm[0], request.camera.pixels[0]
    pitch_um = width_mm / columns * 1000
    low_um, high_um = _PITCH_UM
    if not low_um <= pitch_um <= high_um:
        usual = round(width_mm * 1000 / _USUAL_PITCH_UM, -2)
        yield (
            f"camera.pixels of {significant(pitch_um)} um each: write columns and rows of a full picture, about "
            f"{usual:.0f} columns on a sensor {width_mm:g} mm wide"
        )
