"""Rigs known by magnification and aperture alone: microscope objectives and coupled lenses.

`measured_magnification` and `index` as in `lenses`.
"""

from __future__ import annotations

from stacker.errors import Refusal
from stacker.optics.guards import refuse_unless_positive
from stacker.optics.imaging import Imaging, imaging_from_aperture


def objective(
    *,
    magnification: float,
    na: float,
    reference_mm: float,
    tube_lens_mm: float,
    measured_magnification: float | None = None,
    converter: float | None = None,
    working_distance_mm: float | None = None,
    index: float = 1.0,
) -> Imaging:
    """Describe an infinity-corrected microscope objective on a tube lens.

    Parameters
    ----------
    magnification, na : float
        As engraved.
    reference_mm : float
        Focal length of the tube lens for which `magnification` is engraved.
    tube_lens_mm : float
        Focal length of the lens used, at infinity.
    measured_magnification, converter, working_distance_mm, index
        As for `lens`.

    Returns
    -------
    Imaging
        Taken as telecentric on the subject's side.

    Raises
    ------
    Refusal
        If a value is not positive or the aperture is not below the index.
    """
    refuse_unless_positive(
        magnification=magnification,
        na=na,
        reference_mm=reference_mm,
        tube_lens_mm=tube_lens_mm,
        measured_magnification=measured_magnification,
        converter=converter,
        working_distance_mm=working_distance_mm,
        index=index,
    )
    estimate = magnification * tube_lens_mm / reference_mm
    return imaging_from_aperture(
        magnification=_measured_or(measured_magnification, converter, estimate),
        object_na=na,
        converter=converter,
        working_distance_mm=working_distance_mm,
        measured=measured_magnification is not None,
        index=index,
        aperture_key="rig.na",
        telecentric=True,
    )


def finite_objective(
    *,
    magnification: float,
    na: float,
    tube_length_mm: float,
    reference_tube_length_mm: float,
    measured_magnification: float | None = None,
    converter: float | None = None,
    working_distance_mm: float | None = None,
    index: float = 1.0,
) -> Imaging:
    """Describe a finite microscope objective, at its own tube length or another one.

    Parameters
    ----------
    magnification, na : float
        As engraved.
    tube_length_mm, reference_tube_length_mm : float
        In use, and engraved.
    measured_magnification, converter, working_distance_mm, index
        As for `lens`.

    Returns
    -------
    Imaging
        The aperture is kept as engraved; the place of the entrance pupil is unknown.

    Raises
    ------
    Refusal
        If a value is not positive, the aperture is not below the index, or the tube is too short for an image.
    """
    refuse_unless_positive(
        magnification=magnification,
        na=na,
        tube_length_mm=tube_length_mm,
        reference_tube_length_mm=reference_tube_length_mm,
        measured_magnification=measured_magnification,
        converter=converter,
        working_distance_mm=working_distance_mm,
        index=index,
    )
    # a thin lens: the image distance f (1 + m) grows with the tube
    estimate = (magnification + 1) * tube_length_mm / reference_tube_length_mm - 1
    if estimate <= 0:
        shortest_mm = reference_tube_length_mm / (magnification + 1)
        raise Refusal(
            f"found {tube_length_mm:g} mm; a {magnification:g}x objective for {reference_tube_length_mm:g} mm "
            f"forms an image only with a tube longer than {shortest_mm:.4g} mm: use a longer tube",
            key="rig.tube_length_mm",
        )
    return imaging_from_aperture(
        magnification=_measured_or(measured_magnification, converter, estimate),
        object_na=na,
        converter=converter,
        working_distance_mm=working_distance_mm,
        measured=measured_magnification is not None,
        index=index,
        aperture_key="rig.na",
    )


def coupled_lenses(
    *,
    rear_focal_length_mm: float,
    rear_f_number: float,
    front_focal_length_mm: float,
    front_f_number: float,
    measured_magnification: float | None = None,
    converter: float | None = None,
    working_distance_mm: float | None = None,
    index: float = 1.0,
) -> Imaging:
    """Describe a lens reversed in front of another one, both at infinity.

    The light between them is parallel, so m = f_rear/f_front; the narrower of the two apertures counts. Their
    pupils depend on the distance between them and stay unknown.

    Parameters
    ----------
    rear_focal_length_mm, rear_f_number : float
        The lens on the camera.
    front_focal_length_mm, front_f_number : float
        The reversed lens.
    measured_magnification, converter, working_distance_mm, index
        As for `lens`.

    Returns
    -------
    Imaging

    Raises
    ------
    Refusal
        If a value is not positive or the aperture is not possible.
    """
    refuse_unless_positive(
        rear_focal_length_mm=rear_focal_length_mm,
        rear_f_number=rear_f_number,
        front_focal_length_mm=front_focal_length_mm,
        front_f_number=front_f_number,
        measured_magnification=measured_magnification,
        converter=converter,
        working_distance_mm=working_distance_mm,
        index=index,
    )
    magnification = _measured_or(measured_magnification, converter, rear_focal_length_mm / front_focal_length_mm)
    return imaging_from_aperture(
        magnification=magnification,
        object_na=min(1 / (2 * front_f_number), magnification / (2 * rear_f_number)),
        converter=converter,
        working_distance_mm=working_distance_mm,
        measured=measured_magnification is not None,
        index=index,
        aperture_key="rig.front_f_number",
    )


def _measured_or(measured_magnification: float | None, converter: float | None, estimate: float) -> float:
    return estimate if measured_magnification is None else measured_magnification / (converter or 1.0)
