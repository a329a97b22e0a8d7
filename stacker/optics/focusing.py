"""The focus ring: what a bare lens reaches, and how its focal length changes on the way there."""

from __future__ import annotations

from typing import Literal

from stacker.optics.impossible import Impossible
from stacker.records import record

FocusSetting = Literal["nearest", "infinity"] | float


@record
class FocusingLens:
    """A bare lens as its data sheet describes it.

    Attributes
    ----------
    focal_length_mm : float
        As marked, which holds at infinity [mm].
    max_magnification : float
        At nearest focus; 0 for a lens that does not focus by itself [-].
    minimum_focus_mm : float or None
        Subject to sensor at nearest focus; None keeps the marked focal length throughout [mm].
    """

    focal_length_mm: float
    max_magnification: float
    minimum_focus_mm: float | None = None

    @property
    def close_focal_length_mm(self) -> float:
        """Estimate at nearest focus: the thin lens of this magnification over this distance, at most as marked [mm].

        Lenses with moving groups get shorter in close focus. The distance between the principal planes and the
        rounding of data sheets make the estimate come out longer than marked for lenses that do no such thing
        (wide angles by a tenth); believing it would understate what tubes give, and make steps too long.
        """
        m = self.max_magnification
        if self.minimum_focus_mm is None or m == 0:
            return self.focal_length_mm
        # D = f (1 + m) + f (1 + 1/m)
        return min(self.focal_length_mm, self.minimum_focus_mm * m / (1 + m) ** 2)

    def magnification_at(self, focused_at: FocusSetting) -> float:
        """Return the magnification of the bare lens at a setting of its ring [-].

        Raises
        ------
        Impossible
            For a magnification that the bare lens does not reach.
        """
        if focused_at == "nearest":
            return self.max_magnification
        if focused_at == "infinity":
            return 0.0
        if focused_at > self.max_magnification:
            raise Impossible(
                "focus_ring",
                f"found {focused_at:g}; the bare lens focuses from 0 (infinity) to {self.max_magnification:g} "
                "(nearest)",
            )
        return focused_at

    def focal_length_at_mm(self, magnification: float) -> float:
        """Return the focal length at a magnification of the bare lens, linear between the two ends [mm]."""
        if magnification == 0:
            return self.focal_length_mm
        shift_mm = self.close_focal_length_mm - self.focal_length_mm
        return self.focal_length_mm + shift_mm * magnification / self.max_magnification
