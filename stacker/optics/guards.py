"""Refusals that several kinds of rig share; they name the key of the request that decides them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stacker.errors import Refusal


def refuse_unless_positive(**values: float | None) -> None:
    """Refuse a value that is not above 0; None stands for a key that is not given."""
    for name, value in values.items():
        if value is not None and not 0 < value < math.inf:
            raise Refusal(f"found {value:g}; write a number above 0", key=_key(name))


def refuse_if_negative(**values: float) -> None:
    """Refuse a value below 0."""
    for name, value in values.items():
        if not 0 <= value < math.inf:
            raise Refusal(f"found {value:g}; write 0 or a number above it", key=_key(name))


def refuse_aperture_above_index(na: float, index: float, *, key: str) -> None:
    """Refuse a numerical aperture that no medium of this refractive index can have."""
    if na >= index:
        raise Refusal(
            f"the numerical aperture on the subject is {na:.4g}; it stays below the refractive index there, "
            f"{index:g}: check aperture and magnification, or give rig.immersion_index for an immersion objective",
            key=key,
        )


def refuse_tubes_behind_converter(tubes_mm: Sequence[float]) -> None:
    """Refuse tubes between a converter and the camera: their effect cannot be told from the factor alone."""
    if tubes_mm:
        raise Refusal(
            f"found {', '.join(f'{tube:g}' for tube in tubes_mm)} mm; what tubes behind a converter do depends on "
            "the converter's own focal length: put them between lens and converter, under rig.tubes_mm, or "
            "photograph a ruler and use the kind measured",
            key="rig.tubes_behind_converter_mm",
        )


def refuse_focus_inside_lens(distance_mm: float) -> None:
    """Refuse a rig whose plane of focus, `distance_mm` in front of the rim, is not in front of it."""
    if distance_mm <= 0:
        raise Refusal(
            f"the plane of focus lies {abs(distance_mm):.3g} mm inside the lens, where no subject can be: use less "
            "extension or a longer lens",
            key="rig",
        )


def _key(name: str) -> str:
    return "rig.immersion_index" if name == "index" else f"rig.{name}"
