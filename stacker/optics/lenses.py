"""Lenses on a camera: with tubes, bellows, close-up lens or converter, reversed, or measured."""

from __future__ import annotations

from dataclasses import replace

from stacker.optics.focusing import FocusingLens, FocusSetting
from stacker.optics.imaging import Imaging, LensState, imaging_from_state
from stacker.optics.impossible import Impossible
from stacker.optics.mounting import BARE, Mounting
from stacker.records import record


@record
class CloseUpLens:
    """A thin lens in front of another.

    Attributes
    ----------
    dioptres : float
        Its power, the sum if there are several; 0 for none [1/m].
    gap_mm : float
        From it to the front principal plane of the lens behind [mm].
    """

    dioptres: float = 0.0
    gap_mm: float = 0.0


NO_CLOSE_UP = CloseUpLens()


def magnification_from_field(*, sensor_width_mm: float, field_width_mm: float) -> float:
    """Return the magnification at which `field_width_mm` of a ruler fills the sensor's width [-]."""
    return sensor_width_mm / field_width_mm


def lens(
    ring: FocusingLens,
    *,
    f_number: float,
    pupil_magnification: float = 1.0,
    extension_mm: float = 0.0,
    close_up: CloseUpLens = NO_CLOSE_UP,
    focused_at: FocusSetting = "nearest",
    front_offset_mm: float | None = None,
    mounting: Mounting = BARE,
) -> Imaging:
    """Describe an ordinary lens, with tubes, bellows, close-up lens or converter.

    Parameters
    ----------
    ring : FocusingLens
        The bare lens.
    f_number : float
        As marked [-].
    pupil_magnification : float
        Exit over entrance pupil [-].
    extension_mm : float
        All that lies between lens and sensor, or converter [mm].
    close_up : CloseUpLens
        In front.
    focused_at : {'nearest', 'infinity'} or float
        Focus ring; a number is the magnification of the bare lens [-].
    front_offset_mm : float or None
        From the front principal plane of the lens to the foremost rim [mm].
    mounting : Mounting
        What is measured, and behind it.

    Returns
    -------
    Imaging

    Raises
    ------
    Impossible
        For a focus setting that the lens does not have, a rig that focuses on nothing, or a plane of focus inside the
        lens.
    """

    def built(bare_magnification: float, bare_focal_mm: float) -> LensState:
        state = LensState.of_lens(
            focal_length_mm=bare_focal_mm,
            f_number=f_number,
            pupil_magnification=pupil_magnification,
            magnification=bare_magnification,
        )
        if close_up.dioptres:
            state = state.with_close_up_lens(1000 / close_up.dioptres, close_up.gap_mm)
        return state.with_extension(extension_mm)

    bare = ring.magnification_at(focused_at)
    bare_focal_mm = ring.focal_length_at_mm(bare)
    state = built(bare, bare_focal_mm)
    by_mark: float | None = None if mounting.measured else built(bare, ring.focal_length_mm).magnification
    if mounting.measured:
        state = state.at_magnification(mounting.before_converter(state.magnification))
    elif state.magnification == 0:
        raise Impossible(
            "focus_at_infinity",
            "this lens, focused at infinity, without tubes and without a close-up lens, has no subject near it",
        )
    if mounting.working_distance_mm is None:
        distance_mm = _working_distance_mm(state, bare_focal_mm, close_up, front_offset_mm)
        mounting = replace(mounting, working_distance_mm=distance_mm)
    return imaging_from_state(
        state,
        f_number=f_number,
        f_number_at_infinity=f_number,
        magnification_range=(
            built(0.0, ring.focal_length_mm).magnification,
            built(ring.max_magnification, ring.close_focal_length_mm).magnification,
        ),
        mounting=mounting,
        magnification_by_marked_focal_length=by_mark,
    )


def _working_distance_mm(
    state: LensState, bare_focal_mm: float, close_up: CloseUpLens, front_offset_mm: float | None
) -> float | None:
    """From the foremost rim to the plane of focus, where the rim is known; refuses a plane inside the lens."""
    # the pair's front principal plane lies d f'/f behind the close-up lens; count from the lens's own
    gap_mm = close_up.gap_mm if close_up.dioptres else 0.0
    plane_mm = state.principal_plane_mm + gap_mm * (1 - state.focal_length_mm / bare_focal_mm)
    _refuse_focus_inside_lens(plane_mm - max(gap_mm, front_offset_mm or 0.0))
    return None if front_offset_mm is None else plane_mm - front_offset_mm


def reversed_lens(
    ring: FocusingLens,
    *,
    f_number: float,
    pupil_magnification: float = 1.0,
    image_distance_mm: float | None = None,
    register_mm: float | None = None,
    focused_at: FocusSetting = "infinity",
    mounting: Mounting = BARE,
) -> Imaging:
    """Describe a lens mounted back to front.

    Parameters
    ----------
    ring : FocusingLens
        The bare lens.
    f_number : float
        As marked [-].
    pupil_magnification : float
        Of the lens the right way round; mounted, it is one over this [-].
    image_distance_mm : float or None
        From the principal plane that now faces the sensor to the image, before any converter; needed where no
        magnification was measured [mm].
    register_mm : float or None
        Mount to sensor for which the lens is made: gives the working distance to the mount, now in front [mm].
    focused_at : {'infinity', 'nearest'} or float
        Focus ring; reversed, it changes the focal length of a lens with moving groups and where the mount is [-].
    mounting : Mounting
        What is measured, and behind it.

    Returns
    -------
    Imaging

    Raises
    ------
    Impossible
        If the image lies within the focal length, or the plane of focus inside the lens.
    ValueError
        If nothing gives the magnification.
    """
    bare = ring.magnification_at(focused_at)
    focal_mm = ring.focal_length_at_mm(bare)
    if mounting.measured_magnification is not None:
        magnification = mounting.measured_magnification / mounting.factor
    elif image_distance_mm is not None:
        magnification = _magnification_at(image_distance_mm, focal_mm)
    else:
        raise ValueError("needs a measured magnification or image_distance_mm")
    # the pupils change places: the entrance pupil is now the old exit pupil, P f/N wide
    f_number_at_infinity = f_number / pupil_magnification
    state = LensState.of_lens(
        focal_length_mm=focal_mm,
        f_number=f_number_at_infinity,
        pupil_magnification=1 / pupil_magnification,
        magnification=magnification,
    )
    if mounting.working_distance_mm is None and register_mm is not None:
        # the image plane for which the lens is set, `register_mm` from the mount, is f m_bare from its focus
        distance_mm = register_mm + focal_mm * (1 / magnification - bare)
        _refuse_focus_inside_lens(distance_mm)
        mounting = replace(mounting, working_distance_mm=distance_mm)
    return imaging_from_state(
        state,
        f_number=f_number,
        f_number_at_infinity=f_number_at_infinity,
        magnification_range=(magnification, magnification),
        mounting=mounting,
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
        Measured [-].
    f_number, pupil_magnification : float
        As marked; exit over entrance pupil as mounted [-].
    working_distance_mm : float or None
        Measured [mm].
    index : float
        Refractive index around the subject [-].

    Returns
    -------
    Imaging
        Focal length and place of the pupils are unknown.

    Raises
    ------
    Impossible
        If the aperture is not possible.
    """
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
        mounting=Mounting(measured_magnification=magnification, working_distance_mm=working_distance_mm, index=index),
    )
    return replace(imaging, focal_length_mm=None, entrance_pupil_mm=None, entrance_pupil_diameter_mm=None)


def _magnification_at(image_distance_mm: float, focal_mm: float) -> float:
    if image_distance_mm <= focal_mm:
        raise Impossible(
            "image_distance",
            f"found {image_distance_mm:g} mm; a lens of {focal_mm:.4g} mm forms an image only beyond its focal length",
        )
    return image_distance_mm / focal_mm - 1


def _refuse_focus_inside_lens(distance_mm: float) -> None:
    """Refuse a plane of focus that does not lie in front of the rim."""
    if distance_mm <= 0:
        raise Impossible(
            "focus_inside_lens",
            f"the plane of focus lies {abs(distance_mm):.3g} mm inside the lens, where no subject can be",
        )
