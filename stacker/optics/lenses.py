"""Lenses on a camera: with tubes, bellows, close-up lens or converter, reversed, or measured.

Arguments carry the names of the request's keys. `measured_magnification`, what a photographed ruler showed through
the whole rig, beats every estimate; `index` is the refractive index around the subject. Each function raises
`Refusal`, with the dotted key that decides it, for a rig that cannot exist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stacker.errors import Refusal
from stacker.optics.focusing import FocusingLens, FocusSetting
from stacker.optics.guards import (
    refuse_focus_inside_lens,
    refuse_if_negative,
    refuse_tubes_behind_converter,
    refuse_unless_positive,
)
from stacker.optics.imaging import Imaging, LensState, imaging_from_state


def magnification_from_field(*, sensor_width_mm: float, field_width_mm: float) -> float:
    """Return the magnification at which `field_width_mm` of a ruler fills the sensor's width."""
    refuse_unless_positive(field_width_mm=field_width_mm)
    return sensor_width_mm / field_width_mm


def lens(
    *,
    focal_length_mm: float,
    f_number: float,
    max_magnification: float,
    minimum_focus_mm: float | None = None,
    pupil_magnification: float = 1.0,
    tubes_mm: float = 0.0,
    tubes_behind_converter_mm: Sequence[float] = (),
    converter: float | None = None,
    close_up_dioptres: float = 0.0,
    close_up_gap_mm: float = 0.0,
    focused_at: FocusSetting = "nearest",
    working_distance_mm: float | None = None,
    front_offset_mm: float | None = None,
    measured_magnification: float | None = None,
    index: float = 1.0,
) -> Imaging:
    """Describe an ordinary lens, with tubes, bellows, close-up lens or converter.

    Parameters
    ----------
    focal_length_mm, f_number : float
        As marked.
    max_magnification, minimum_focus_mm : float
        Bare lens at nearest focus (0 for a lens without focusing); from subject to sensor.
    pupil_magnification : float
        Exit over entrance pupil.
    tubes_mm : float
        Sum of all extension between lens and sensor (or converter).
    tubes_behind_converter_mm : sequence of float
        Tubes between converter and camera; refused when there are any.
    converter : float or None
        Factor of a converter behind lens and tubes.
    close_up_dioptres : float
        Power in front, the sum if there are several.
    close_up_gap_mm : float
        From the close-up lens to the front principal plane of the lens.
    focused_at : {'nearest', 'infinity'} or float
        Focus ring; a number is the magnification of the bare lens.
    working_distance_mm : float or None
        Measured from rim to plane of focus; goes before what follows from `front_offset_mm`.
    front_offset_mm : float or None
        From the front principal plane of the lens to the foremost rim.
    measured_magnification, index : float
        See the module.

    Returns
    -------
    Imaging

    Raises
    ------
    Refusal
        For tubes behind a converter, a focus setting that the lens does not have, a rig that focuses on nothing,
        or a plane of focus inside the lens.
    """
    refuse_unless_positive(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        pupil_magnification=pupil_magnification,
        minimum_focus_mm=minimum_focus_mm,
        converter=converter,
        working_distance_mm=working_distance_mm,
        measured_magnification=measured_magnification,
        index=index,
    )
    refuse_if_negative(
        max_magnification=max_magnification,
        tubes_mm=tubes_mm,
        close_up_dioptres=close_up_dioptres,
        close_up_gap_mm=close_up_gap_mm,
    )
    refuse_tubes_behind_converter(tubes_behind_converter_mm)

    def built(bare_magnification: float, bare_focal_mm: float) -> LensState:
        state = LensState.of_lens(
            focal_length_mm=bare_focal_mm,
            f_number=f_number,
            pupil_magnification=pupil_magnification,
            magnification=bare_magnification,
        )
        if close_up_dioptres:
            state = state.with_close_up_lens(1000 / close_up_dioptres, close_up_gap_mm)
        return state.with_extension(tubes_mm)

    ring = FocusingLens(
        focal_length_mm=focal_length_mm,
        max_magnification=max_magnification,
        minimum_focus_mm=minimum_focus_mm,
    )
    bare = ring.magnification_at(focused_at)
    bare_focal_mm = ring.focal_length_at_mm(bare)
    state = built(bare, bare_focal_mm)
    by_mark: float | None = built(bare, focal_length_mm).magnification
    if measured_magnification is not None:
        state = state.at_magnification(measured_magnification / (converter or 1.0))
        by_mark = None
    elif state.magnification == 0:
        raise Refusal(
            "this lens, focused at infinity, without tubes and without a close-up lens, has no subject near it: "
            "write focused_at: nearest, or add a tube or a close-up lens",
            key="rig.focused_at",
        )
    if working_distance_mm is None:
        # the pair's front principal plane lies d f'/f behind the close-up lens; count from the lens's own
        gap_mm = close_up_gap_mm if close_up_dioptres else 0.0
        plane_mm = state.principal_plane_mm + gap_mm * (1 - state.focal_length_mm / bare_focal_mm)
        refuse_focus_inside_lens(plane_mm - max(gap_mm, front_offset_mm or 0.0))
        working_distance_mm = None if front_offset_mm is None else plane_mm - front_offset_mm
    return imaging_from_state(
        state,
        f_number=f_number,
        f_number_at_infinity=f_number,
        magnification_range=(
            built(0.0, focal_length_mm).magnification,
            built(max_magnification, ring.close_focal_length_mm).magnification,
        ),
        converter=converter,
        working_distance_mm=working_distance_mm,
        measured=measured_magnification is not None,
        index=index,
        magnification_by_marked_focal_length=by_mark,
    )


def reversed_lens(
    *,
    focal_length_mm: float,
    f_number: float,
    max_magnification: float = 0.0,
    minimum_focus_mm: float | None = None,
    pupil_magnification: float = 1.0,
    image_distance_mm: float | None = None,
    measured_magnification: float | None = None,
    register_mm: float | None = None,
    converter: float | None = None,
    tubes_behind_converter_mm: Sequence[float] = (),
    focused_at: FocusSetting = "infinity",
    working_distance_mm: float | None = None,
    index: float = 1.0,
) -> Imaging:
    """Describe a lens mounted back to front.

    Parameters
    ----------
    focal_length_mm, f_number, max_magnification, minimum_focus_mm, converter, tubes_behind_converter_mm
        As for `lens`.
    pupil_magnification : float
        Of the lens the right way round; mounted, it is one over this.
    image_distance_mm : float or None
        Sensor to the principal plane that now faces it; instead of `measured_magnification`.
    register_mm : float or None
        Mount to sensor for which the lens is made: gives the working distance to the mount, now in front.
    focused_at : {'infinity', 'nearest'} or float
        Focus ring; reversed, it changes the focal length of a lens with moving groups and where the mount is.
    working_distance_mm, measured_magnification, index
        As for `lens`.

    Returns
    -------
    Imaging

    Raises
    ------
    Refusal
        If nothing gives the magnification, the sensor lies within the focal length, or the plane of focus lies
        inside the lens.
    """
    refuse_unless_positive(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        pupil_magnification=pupil_magnification,
        minimum_focus_mm=minimum_focus_mm,
        image_distance_mm=image_distance_mm,
        measured_magnification=measured_magnification,
        register_mm=register_mm,
        converter=converter,
        working_distance_mm=working_distance_mm,
        index=index,
    )
    refuse_if_negative(max_magnification=max_magnification)
    refuse_tubes_behind_converter(tubes_behind_converter_mm)
    ring = FocusingLens(
        focal_length_mm=focal_length_mm,
        max_magnification=max_magnification,
        minimum_focus_mm=minimum_focus_mm,
    )
    bare = ring.magnification_at(focused_at)
    focal_mm = ring.focal_length_at_mm(bare)
    if measured_magnification is not None:
        magnification = measured_magnification / (converter or 1.0)
    else:
        magnification = _magnification_at_image_distance(image_distance_mm, focal_mm, converter)
    # the pupils change places: the entrance pupil is now the old exit pupil, P f/N wide
    f_number_at_infinity = f_number / pupil_magnification
    state = LensState.of_lens(
        focal_length_mm=focal_mm,
        f_number=f_number_at_infinity,
        pupil_magnification=1 / pupil_magnification,
        magnification=magnification,
    )
    if working_distance_mm is None and register_mm is not None:
        # the image plane for which the lens is set, `register_mm` from the mount, is f m_bare from its focus
        working_distance_mm = register_mm + focal_mm * (1 / magnification - bare)
        refuse_focus_inside_lens(working_distance_mm)
    return imaging_from_state(
        state,
        f_number=f_number,
        f_number_at_infinity=f_number_at_infinity,
        magnification_range=(magnification, magnification),
        converter=converter,
        working_distance_mm=working_distance_mm,
        measured=measured_magnification is not None,
        index=index,
    )


def measured(
    *,
    magnification: float,
    f_number: float,
    pupil_magnification: float = 1.0,
    working_distance_mm: float | None = None,
    index: float = 1.0,
) -> Imaging:
    """Describe any lens, without a converter, of which a photographed ruler gave the magnification.

    Parameters
    ----------
    magnification : float
        Measured.
    f_number, pupil_magnification : float
        As marked; exit over entrance pupil as mounted.
    working_distance_mm, index
        As for `lens`.

    Returns
    -------
    Imaging
        Focal length and place of the pupils are unknown.

    Raises
    ------
    Refusal
        If a value is not positive or the aperture is not possible.
    """
    refuse_unless_positive(
        magnification=magnification,
        f_number=f_number,
        pupil_magnification=pupil_magnification,
        working_distance_mm=working_distance_mm,
        index=index,
    )
    # what is known does not depend on the focal length, so any will do
    unit_lens = LensState.of_lens(
        focal_length_mm=1.0,
        f_number=f_number,
        pupil_magnification=pupil_magnification,
        magnification=magnification,
    )
    imaging = imaging_from_state(
        unit_lens,
        f_number=f_number,
        f_number_at_infinity=f_number,
        magnification_range=(magnification, magnification),
        converter=None,
        working_distance_mm=working_distance_mm,
        measured=True,
        index=index,
    )
    return replace(imaging, focal_length_mm=None, entrance_pupil_mm=None, entrance_pupil_diameter_mm=None)


def _magnification_at_image_distance(
    image_distance_mm: float | None, focal_mm: float, converter: float | None
) -> float:
    if image_distance_mm is None:
        raise Refusal(
            "nothing gives the magnification of the reversed lens: photograph a ruler and write field_width_mm, or "
            "measure image_distance_mm, from the sensor to the principal plane",
            key="rig.field_width_mm",
        )
    if converter is not None:
        raise Refusal(
            "with a converter the distance to the sensor does not give the magnification: photograph a ruler and "
            "write field_width_mm instead",
            key="rig.image_distance_mm",
        )
    if image_distance_mm <= focal_mm:
        raise Refusal(
            f"found {image_distance_mm:g} mm; a lens of {focal_mm:.4g} mm forms an image only beyond its focal "
            "length: measure from the sensor to the principal plane, or add tubes",
            key="rig.image_distance_mm",
        )
    return image_distance_mm / focal_mm - 1
