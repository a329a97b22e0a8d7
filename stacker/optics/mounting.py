"""What any rig may have besides its own optics: a measured magnification, a converter, a measured distance."""

from __future__ import annotations

from stacker.records import record


@record
class Mounting:
    """How a rig is used, the same for every kind.

    Attributes
    ----------
    measured_magnification : float or None
        What a photographed ruler showed through the whole rig; it beats every estimate [-].
    converter : float or None
        Factor of a converter behind all else [-].
    working_distance_mm : float or None
        Measured from the foremost rim to the plane of focus; it beats every estimate too [mm].
    index : float
        Refractive index around the subject [-].
    """

    measured_magnification: float | None = None
    converter: float | None = None
    working_distance_mm: float | None = None
    index: float = 1.0

    @property
    def measured(self) -> bool:
        """Whether the magnification is more than an estimate."""
        return self.measured_magnification is not None

    @property
    def factor(self) -> float:
        """Of the converter, 1 without one [-]."""
        return self.converter or 1.0

    def before_converter(self, estimate: float) -> float:
        """Return the magnification before any converter: as measured, else this estimate of it [-]."""
        return estimate if self.measured_magnification is None else self.measured_magnification / self.factor


BARE = Mounting()
