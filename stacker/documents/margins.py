"""How sure measured values are: written by the calibrations beside the values themselves."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from stacker.documents.fields import declare
from stacker.documents.values import Number
from stacker.records import record

MARGIN_OF = {
    "magnification": "rig.magnification",
    "measured_magnification": "rig.measured_magnification",
    "field_width_mm": "rig.field_width_mm",
    "entrance_pupil_mm": "rig.entrance_pupil_mm",
    "pupil_magnification": "rig.pupil_magnification",
    "effective_f_number": "rig.effective_f_number",
    "na": "rig.na",
    "lens_mtf50_lp_mm": "focus.lens_mtf50_lp_mm",
    "field_curvature_um": "focus.field_curvature_um",
}
"""The measured key of each margin."""


def _margin(name: str, unit: str = "") -> Any:
    return declare(Number(unit=unit, above=0, most=100_000), f"of {MARGIN_OF[name]}", default=None)


@record
class Margins:
    """Half the widths of intervals that hold a measured value's truth in 95 of 100 calibrations."""

    magnification: float | None = _margin("magnification")
    measured_magnification: float | None = _margin("measured_magnification")
    field_width_mm: float | None = _margin("field_width_mm", "mm")
    entrance_pupil_mm: float | None = _margin("entrance_pupil_mm", "mm")
    pupil_magnification: float | None = _margin("pupil_magnification")
    effective_f_number: float | None = _margin("effective_f_number")
    na: float | None = _margin("na")
    lens_mtf50_lp_mm: float | None = _margin("lens_mtf50_lp_mm", "lp/mm")
    field_curvature_um: float | None = _margin("field_curvature_um", "um")

    def given(self) -> Iterator[tuple[str, float]]:
        """The margins that are there, with the dotted keys of their values."""
        for name, key in MARGIN_OF.items():
            margin = getattr(self, name)
            if margin is not None:
                yield key, margin
