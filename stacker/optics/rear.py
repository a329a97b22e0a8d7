"""Focusing with the sensor alone (a moving rear standard): lens and subject stand still, the rear standard travels.

Depth z counts from the front, positive deeper, in mm. The `Imaging` describes the front (z = 0); positive rail travel
takes the sensor towards the lens and the plane of focus deeper. A converter travels with the sensor.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stacker.optics.imaging import Imaging
from stacker.optics.impossible import Impossible
from stacker.optics.otf import FloatArray, floats
from stacker.records import record


@record
class RearFocus:
    """The rig at each of several planes of focus; every array has the shape of the depths asked for.

    Attributes
    ----------
    magnification, effective_f_number, object_na : ndarray
        At that plane, converter included [-].
    rail_mm : ndarray
        Rail travel from the front [mm].
    """

    magnification: FloatArray
    effective_f_number: FloatArray
    object_na: FloatArray
    rail_mm: FloatArray


def rear_focus(imaging: Imaging, depth_mm: ArrayLike) -> RearFocus:
    """Return the rig's state with the sensor moved to focus on each depth.

    Parameters
    ----------
    imaging : Imaging
        The rig with the front in focus.
    depth_mm : array_like
        Planes of focus [mm].

    Returns
    -------
    RearFocus

    Raises
    ------
    Impossible
        If focal length or pupil magnification are unknown, or a plane lies within the focal length of the lens.

    Notes
    -----
    Derived: s = f (1 + 1/m_front) + z and m = f/(s - f); the image moves by f (m_front - m). The exit pupil,
    f (m + P) from the sensor, keeps its size, so N_e is proportional to m + P.
    """
    focal_mm, pupil = _lens_of(imaging)
    depth = floats(depth_mm)
    bare_front = imaging.bare_magnification
    beyond_focus_mm = focal_mm / bare_front + depth
    if np.any(beyond_focus_mm <= 0):
        raise Impossible(
            "focus_too_near",
            f"the lens cannot focus {-np.min(depth):.4g} mm in front of the subject's front by moving the sensor",
        )
    bare = focal_mm / beyond_focus_mm
    effective = imaging.effective_f_number * (bare + pupil) / (bare_front + pupil)
    magnification = bare * imaging.converter
    return RearFocus(
        magnification=magnification,
        effective_f_number=effective,
        object_na=magnification / (2 * effective),
        rail_mm=focal_mm * (bare_front - bare),
    )


def rear_depth_mm(imaging: Imaging, rail_mm: ArrayLike) -> FloatArray:
    """Return the depth in focus at each rail travel from the front [mm]: `rear_focus` inverted.

    Raises
    ------
    Impossible
        If focal length or pupil magnification are unknown, or the sensor would come within the focal length.
    """
    focal_mm, _ = _lens_of(imaging)
    rail = floats(rail_mm)
    front_extension_mm = focal_mm * imaging.bare_magnification
    if np.any(rail >= front_extension_mm):
        raise Impossible(
            "sensor_too_near",
            f"the sensor would travel {np.max(rail):.4g} mm; from {front_extension_mm:.4g} mm on the lens focuses on "
            "nothing",
        )
    # z = f/m - f/m_front with m = m_front - rail/f, written without the difference of nearly equal numbers
    return rail * focal_mm / (imaging.bare_magnification * (front_extension_mm - rail))


def _lens_of(imaging: Imaging) -> tuple[float, float]:
    if imaging.focal_length_mm is None or imaging.pupil_magnification is None:
        raise Impossible("lens_unknown", "a moving rear standard needs a lens of known focal length")
    return imaging.focal_length_mm, imaging.pupil_magnification
