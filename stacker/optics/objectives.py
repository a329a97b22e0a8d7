"""Rigs known by magnification and aperture alone: microscope objectives and coupled lenses."""

from __future__ import annotations

from stacker.optics.imaging import Imaging, imaging_from_aperture
from stacker.optics.impossible import Impossible
from stacker.optics.mounting import BARE, Mounting


def objective(
    *, magnification: float, na: float, reference_mm: float, tube_lens_mm: float, mounting: Mounting = BARE
) -> Imaging:
    """Describe an infinity-corrected microscope objective on a tube lens.

    Parameters
    ----------
    magnification, na : float
        As engraved [-].
    reference_mm : float
        Focal length of the tube lens for which `magnification` is engraved [mm].
    tube_lens_mm : float
        Focal length of the lens used, at infinity [mm].
    mounting : Mounting
        What is measured, and behind it.

    Returns
    -------
    Imaging
        Taken as telecentric on the subject's side.

    Raises
    ------
    Impossible
        If the aperture is not below the index.
    """
    return imaging_from_aperture(
        magnification=mounting.before_converter(magnification * tube_lens_mm / reference_mm),
        object_na=na,
        mounting=mounting,
        telecentric=True,
    )


def finite_objective(
    *,
    magnification: float,
    na: float,
    tube_length_mm: float,
    reference_tube_length_mm: float,
    mounting: Mounting = BARE,
) -> Imaging:
    """Describe a finite microscope objective, at its own tube length or another one.

    Parameters
    ----------
    magnification, na : float
        As engraved [-].
    tube_length_mm, reference_tube_length_mm : float
        In use, and engraved [mm].
    mounting : Mounting
        What is measured, and behind it.

    Returns
    -------
    Imaging
        The aperture is kept as engraved; the place of the entrance pupil is unknown.

    Raises
    ------
    Impossible
        If the aperture is not below the index, or the tube is too short for an image.
    """
    # a thin lens: the image distance f (1 + m) grows with the tube
    estimate = (magnification + 1) * tube_length_mm / reference_tube_length_mm - 1
    if estimate <= 0:
        shortest_mm = reference_tube_length_mm / (magnification + 1)
        raise Impossible(
            "tube_length",
            f"found {tube_length_mm:g} mm; a {magnification:g}x objective for {reference_tube_length_mm:g} mm "
            f"forms an image only with a tube longer than {shortest_mm:.4g} mm",
        )
    return imaging_from_aperture(magnification=mounting.before_converter(estimate), object_na=na, mounting=mounting)


def coupled_lenses(
    *,
    rear_focal_length_mm: float,
    rear_f_number: float,
    front_focal_length_mm: float,
    front_f_number: float,
    mounting: Mounting = BARE,
) -> Imaging:
    """Describe a lens reversed in front of another one, both at infinity.

    The light between them is parallel, so m = f_rear/f_front; the narrower of the two apertures counts. Their
    pupils depend on the distance between them and stay unknown.

    Parameters
    ----------
    rear_focal_length_mm, front_focal_length_mm : float
        Of the lens on the camera, and of the reversed one [mm].
    rear_f_number, front_f_number : float
        As marked on them [-].
    mounting : Mounting
        What is measured, and behind it.

    Returns
    -------
    Imaging

    Raises
    ------
    Impossible
        If the aperture is not possible.
    """
    magnification = mounting.before_converter(rear_focal_length_mm / front_focal_length_mm)
    return imaging_from_aperture(
        magnification=magnification,
        object_na=min(1 / (2 * front_f_number), magnification / (2 * rear_f_number)),
        mounting=mounting,
    )
