"""Refusals that several kinds of rig share; they name the key of the request that decides them."""

from __future__ import annotations

from stacker.errors import Refusal


def refuse_aperture_above_index(na: float, index: float, *, key: str) -> None:
    """Refuse a numerical aperture that no medium of this refractive index can have."""
    if na >= index:
        raise Refusal(
            f"the numerical aperture on the subject is {na:.4g}; it stays below the refractive index there, "
            f"{index:g}: check aperture and magnification, or give rig.immersion_index for an immersion objective",
            key=key,
        )


def refuse_focus_inside_lens(distance_mm: float) -> None:
    """Refuse a rig whose plane of focus, `distance_mm` in front of the rim, is not in front of it."""
    if distance_mm <= 0:
        raise Refusal(
            f"the plane of focus lies {abs(distance_mm):.3g} mm inside the lens, where no subject can be: use less "
            "extension or a longer lens",
            key="rig",
        )
