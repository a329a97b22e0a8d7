"""Keys that several kinds of rig share: each is declared here once."""

from __future__ import annotations

from dataclasses import MISSING
from typing import Any

from stacker.documents.fields import declare
from stacker.documents.values import Choice, ListOf, Number

LENGTH_MM = Number(unit="mm", above=0, most=100_000)
F_NUMBER = Number(above=0.3, most=128)
MAGNIFICATION = Number(above=0, most=200)


def pupil_magnification() -> Any:
    """Declare `pupil_magnification`."""
    return declare(
        Number(above=0.05, most=20),
        "exit pupil over entrance pupil diameter of the lens by itself, seen from both ends",
        default=1.0,
        assumed=True,
    )


def working_distance() -> Any:
    """Declare `working_distance_mm`."""
    return declare(LENGTH_MM, "measured from the lens rim to the front of the subject in focus, in air", default=None)


def f_number() -> Any:
    """Declare `f_number`."""
    return declare(
        F_NUMBER,
        "as marked on the aperture ring; from a display read it with the lens at infinity, since some cameras show the "
        "effective one close up. Or write effective_f_number",
        default=None,
    )


def effective_f_number() -> Any:
    """Declare `effective_f_number`."""
    return declare(
        F_NUMBER,
        "instead of f_number: the effective one through the whole rig, tubes and converter counted in; a camera does "
        "not know tubes without contacts",
        default=None,
    )


def widest_f_number() -> Any:
    """Declare `widest_f_number`."""
    return declare(F_NUMBER, "smallest f-number that the lens can be set to; nothing wider is advised", default=None)


def smallest_f_number() -> Any:
    """Declare `smallest_f_number`."""
    return declare(
        F_NUMBER,
        "largest f-number that the lens can be set to: its smallest aperture; nothing past it is advised",
        default=None,
    )


def entrance_pupil() -> Any:
    """Declare `entrance_pupil_mm`."""
    return declare(
        LENGTH_MM,
        "entrance pupil to the plane of focus, measured ('stacker calibrate scale'); the edge loss needs it",
        default=None,
    )


def front_offset() -> Any:
    """Declare `front_offset_mm`."""
    return declare(
        Number(unit="mm", least=-1000, most=1000),
        "how far the lens rim stands in front of the front principal plane",
        default=None,
    )


def converter() -> Any:
    """Declare `converter`."""
    return declare(Number(above=0.2, most=5), "factor of a converter behind the lens and all tubes", default=None)


def tubes_behind_converter() -> Any:
    """Declare `tubes_behind_converter_mm`."""
    return declare(
        ListOf(item=Number(unit="mm", above=0, most=1000)),
        "tubes between converter and camera: cannot be computed and are refused",
        default=(),
    )


def max_magnification(default: Any = MISSING) -> Any:
    """Declare `max_magnification`."""
    return declare(
        Number(least=0, most=20),
        "of the lens alone at its nearest focus, from its data sheet; 0: it does not focus",
        default=default,
    )


def minimum_focus() -> Any:
    """Declare `minimum_focus_mm`."""
    return declare(
        LENGTH_MM, "subject to sensor at the nearest focus of the lens alone, from its data sheet", default=None
    )


def focused_at(default: str) -> Any:
    """Declare `focused_at`."""
    return declare(
        Choice(words=("nearest", "infinity"), number=Number(least=0, most=20)),
        "where the focus ring stands: its nearest mark, infinity, or the magnification of the bare lens there",
        default=default,
    )


def measured_magnification() -> Any:
    """Declare `measured_magnification`."""
    return declare(
        MAGNIFICATION,
        "from a photographed ruler through the whole rig: goes before every estimate",
        default=None,
    )
