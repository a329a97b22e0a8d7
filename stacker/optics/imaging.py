"""What a rig does to the light: magnification, f-numbers, pupils and the places where the subject lies.

A rig is first described in front of any converter by a `LensState`: focal length, magnification, exit pupil.
Tubes, close-up lenses and a change of focus are changes of that state; a converter then scales the result.
All distances are in mm, measured along the axis. Magnification is image over subject, taken positive.

References
----------
.. [1] S. F. Ray, Applied Photographic Optics, 3rd ed., 2002, ch. 22 (from memory). Pupil magnification as in eq. (1)
   of P. van Walree, Derivation of the DOF equations, https://toothwalker.org/optics/dofderivation.html
.. [2] M. Born and E. Wolf, Principles of Optics, section 4.5.1: the sine condition (from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

from stacker.optics.impossible import Impossible
from stacker.optics.mounting import Mounting
from stacker.records import record


@record
class Imaging:
    """A rig with its subject in focus.

    Attributes
    ----------
    magnification : float
        At the plane of focus, with everything mounted [-].
    magnification_range : tuple of float
        Lowest and highest magnification that the focus ring reaches with this build [-].
    effective_f_number : float
        Distance from exit pupil to sensor over the exit pupil's diameter, converter included [-].
    object_na : float
        Numerical aperture on the subject's side, m/(2 N_e) by the sine condition [-] [2]_.
    pupil_magnification : float or None
        Exit over entrance pupil as mounted (1/P of a reversed lens), before any converter [-]. Not positive when a
        strong close-up lens has moved the entrance pupil to infinity or past it.
    f_number : float or None
        As marked on the ring; None where there is none (microscope objectives, coupled lenses) [-].
    light_loss_stops : float or None
        Against the same lens focused at infinity without a converter [stops].
    focal_length_mm : float or None
        Of lens and close-up lens at this focus setting, before any converter [mm].
    bare_magnification : float
        Before any converter [-].
    converter : float
        Factor; 1 when there is none [-].
    working_distance_mm : float or None
        Foremost rim to plane of focus; None when nobody has measured it and it cannot be derived [mm].
    entrance_pupil_mm : float or None
        Entrance pupil to plane of focus [mm].
    entrance_pupil_diameter_mm : float or None
        As seen from the subject [mm].
    telecentric : bool
        The entrance pupil is at infinity: perspective does not change with distance.
    measured : bool
        The magnification was measured; otherwise it is an estimate from the parts.
    magnification_by_marked_focal_length : float or None
        Estimate with the focal length engraved on the lens, where the close-focus estimate differs from it [-].
    """

    magnification: float
    magnification_range: tuple[float, float]
    effective_f_number: float
    object_na: float
    pupil_magnification: float | None = None
    f_number: float | None = None
    light_loss_stops: float | None = None
    focal_length_mm: float | None = None
    bare_magnification: float
    converter: float
    working_distance_mm: float | None = None
    entrance_pupil_mm: float | None = None
    entrance_pupil_diameter_mm: float | None = None
    telecentric: bool
    measured: bool
    magnification_by_marked_focal_length: float | None = None


@record
class LensState:
    """A lens as mounted, focused on a plane at `magnification`, before any converter.

    Attributes
    ----------
    focal_length_mm : float
        Of lens and close-up lens [mm].
    magnification : float
        0 for a far subject [-].
    exit_pupil_diameter_mm : float
        As seen from the sensor [mm].
    exit_pupil_to_sensor_mm : float
        Along the axis [mm].

    Notes
    -----
    With the exit pupil P f/N wide, f (m + P) from the sensor, the effective f-number is N (1 + m/P). This and the
    object side, u = f (1/m + 1/P), follow from Newton's equation applied to the pupils and to the subject [1]_.
    """

    focal_length_mm: float
    magnification: float
    exit_pupil_diameter_mm: float
    exit_pupil_to_sensor_mm: float

    @classmethod
    def of_lens(
        cls, *, focal_length_mm: float, f_number: float, pupil_magnification: float, magnification: float
    ) -> LensState:
        """Return the state of a bare lens from the numbers marked on it.

        Parameters
        ----------
        focal_length_mm : float
            At this focus [mm].
        f_number : float
            As marked [-].
        pupil_magnification : float
            Exit over entrance pupil [-].
        magnification : float
            0 for a far subject [-].

        Returns
        -------
        LensState
        """
        return cls(
            focal_length_mm=focal_length_mm,
            magnification=magnification,
            exit_pupil_diameter_mm=pupil_magnification * focal_length_mm / f_number,
            exit_pupil_to_sensor_mm=focal_length_mm * (magnification + pupil_magnification),
        )

    @property
    def effective_f_number(self) -> float:
        """Of the cone of light that reaches the sensor [-]."""
        return self.exit_pupil_to_sensor_mm / self.exit_pupil_diameter_mm

    @property
    def pupil_magnification(self) -> float:
        """Exit over entrance pupil [-]."""
        return self.exit_pupil_to_sensor_mm / self.focal_length_mm - self.magnification

    @property
    def entrance_pupil_mm(self) -> float:
        """From entrance pupil to plane of focus [mm]."""
        return self.focal_length_mm * (1 / self.magnification + 1 / self.pupil_magnification)

    @property
    def principal_plane_mm(self) -> float:
        """From the front principal plane to the plane of focus [mm]."""
        return self.focal_length_mm * (1 + 1 / self.magnification)

    def with_extension(self, extension_mm: float) -> LensState:
        """Return the state with the sensor so much farther back [mm]: m grows by e/f."""
        return replace(
            self,
            magnification=self.magnification + extension_mm / self.focal_length_mm,
            exit_pupil_to_sensor_mm=self.exit_pupil_to_sensor_mm + extension_mm,
        )

    def at_magnification(self, magnification: float) -> LensState:
        """Return the state with the sensor where `magnification` is what it is."""
        return self.with_extension((magnification - self.magnification) * self.focal_length_mm)

    def with_close_up_lens(self, focal_length_mm: float, gap_mm: float) -> LensState:
        """Return the state with a thin close-up lens [mm], `gap_mm` in front of the front principal plane [mm].

        What lies behind the diaphragm does not change, hence neither exit pupil nor effective f-number; the
        entrance pupil, seen through the close-up lens, does.
        """
        f, fc, m = self.focal_length_mm, focal_length_mm, self.magnification
        return replace(
            self,
            focal_length_mm=1 / (1 / f + 1 / fc - gap_mm / (f * fc)),
            magnification=m + (1 + m) * f / fc - m * gap_mm / fc,
        )


def imaging_from_aperture(
    *,
    magnification: float,
    object_na: float,
    mounting: Mounting,
    magnification_range: tuple[float, float] | None = None,
    telecentric: bool = False,
) -> Imaging:
    """Put a converter behind optics known by magnification and object-side aperture; both are before it.

    Parameters
    ----------
    magnification, object_na : float
        Before any converter [-].
    mounting : Mounting
        Converter, distance, index; whether `magnification` was measured.
    magnification_range : tuple of float or None
        What the focus ring reaches, before any converter; None for a rig without one [-].
    telecentric : bool
        Whether the entrance pupil is at infinity.

    Returns
    -------
    Imaging

    Raises
    ------
    Impossible
        If the aperture cannot exist in a medium of this refractive index.
    """
    if object_na >= mounting.index:
        raise Impossible(
            "aperture",
            f"the numerical aperture on the subject is {object_na:.4g}; it stays below the refractive index there, "
            f"{mounting.index:g}",
        )
    factor = mounting.factor
    lowest, highest = magnification_range or (magnification, magnification)
    return Imaging(
        magnification=magnification * factor,
        # a measured magnification outside the estimated range shows that the range is at least that wide
        magnification_range=(min(lowest, magnification) * factor, max(highest, magnification) * factor),
        effective_f_number=magnification * factor / (2 * object_na),
        object_na=object_na,
        bare_magnification=magnification,
        converter=factor,
        working_distance_mm=mounting.working_distance_mm,
        telecentric=telecentric,
        measured=mounting.measured,
    )


def imaging_from_state(
    state: LensState,
    *,
    f_number: float,
    f_number_at_infinity: float,
    magnification_range: tuple[float, float],
    mounting: Mounting,
    magnification_by_marked_focal_length: float | None = None,
) -> Imaging:
    """Put a converter behind a lens; magnifications and the f-number at infinity are before it.

    Parameters
    ----------
    state : LensState
        The lens as mounted, before any converter.
    f_number, f_number_at_infinity : float
        As marked, and what the cone of light has for a far subject [-].
    magnification_range : tuple of float
        What the focus ring reaches [-].
    mounting : Mounting
        Converter, distance, index; whether the magnification was measured.
    magnification_by_marked_focal_length : float or None
        Dropped where it says the same as the state [-].

    Returns
    -------
    Imaging

    Raises
    ------
    Impossible
        As from `imaging_from_aperture`.
    """
    imaging = imaging_from_aperture(
        magnification=state.magnification,
        object_na=state.magnification / (2 * state.effective_f_number),
        magnification_range=magnification_range,
        mounting=mounting,
    )
    pupil = state.pupil_magnification
    by_mark = magnification_by_marked_focal_length
    if by_mark is not None:
        by_mark = None if math.isclose(by_mark, state.magnification) else by_mark * imaging.converter
    return replace(
        imaging,
        pupil_magnification=pupil,
        f_number=f_number,
        light_loss_stops=2 * math.log2(imaging.effective_f_number / f_number_at_infinity),
        focal_length_mm=state.focal_length_mm,
        # an entrance pupil at infinity, or past it, has no distance to count from
        entrance_pupil_mm=state.entrance_pupil_mm if pupil > 0 else None,
        entrance_pupil_diameter_mm=state.exit_pupil_diameter_mm / pupil if pupil > 0 else None,
        magnification_by_marked_focal_length=by_mark,
    )
