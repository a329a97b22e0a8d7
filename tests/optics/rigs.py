"""Rigs by plain keywords, as a table of values gives them: put into the records that the optics take."""

from __future__ import annotations

from stacker.optics import lenses, objectives
from stacker.optics.focusing import FocusingLens
from stacker.optics.imaging import Imaging
from stacker.optics.lenses import CloseUpLens
from stacker.optics.mounting import Mounting


def _mounting(keys: dict) -> Mounting:
    names = ("measured_magnification", "converter", "working_distance_mm", "index")
    return Mounting(**{name: keys.pop(name) for name in names if name in keys})


def _ring(keys: dict) -> FocusingLens:
    names = ("focal_length_mm", "minimum_focus_mm")
    return FocusingLens(
        max_magnification=keys.pop("max_magnification", 0.0),
        **{name: keys.pop(name) for name in names if name in keys},
    )


def lens(**keys) -> Imaging:
    mounting, ring = _mounting(keys), _ring(keys)
    close_up = CloseUpLens(dioptres=keys.pop("close_up_dioptres", 0.0), gap_mm=keys.pop("close_up_gap_mm", 0.0))
    extension_mm = keys.pop("tubes_mm", 0.0)
    return lenses.lens(ring, extension_mm=extension_mm, close_up=close_up, mounting=mounting, **keys)


def reversed_lens(**keys) -> Imaging:
    mounting, ring = _mounting(keys), _ring(keys)
    return lenses.reversed_lens(ring, mounting=mounting, **keys)


def objective(**keys) -> Imaging:
    mounting = _mounting(keys)
    return objectives.objective(mounting=mounting, **keys)


def finite_objective(**keys) -> Imaging:
    mounting = _mounting(keys)
    return objectives.finite_objective(mounting=mounting, **keys)


def coupled_lenses(**keys) -> Imaging:
    mounting = _mounting(keys)
    return objectives.coupled_lenses(mounting=mounting, **keys)
