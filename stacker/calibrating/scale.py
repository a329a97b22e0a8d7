"""Magnification from a photographed ruler, and the entrance pupil from two ruler frames a known distance apart."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.calibrating.estimate import Estimate, propagated
from stacker.errors import Refusal

_CLEAR_OF_ZERO = 3.0  # standard errors: below, a difference is noise, and what is divided by it is anything


@dataclass(frozen=True, kw_only=True, slots=True)
class Ruler:
    """What the frames of a ruler show.

    Parameters
    ----------
    length_mm : Estimate
        Length of ruler that was counted across [mm].
    pixels : Estimate
        Pixels across it with the ruler in focus, in a full picture, along the columns.
    pixel_pitch_um : float
        Sensor width over columns [um].
    moved_mm : Estimate or None
        How far the rail took the camera away from the ruler, focus untouched, for a second frame [mm].
    pixels_after : Estimate or None
        Pixels across the same length then.
    """

    length_mm: Estimate
    pixels: Estimate
    pixel_pitch_um: float
    moved_mm: Estimate | None = None
    pixels_after: Estimate | None = None


def magnification(ruler: Ruler) -> Estimate:
    """Length on the sensor over length on the ruler [-]."""
    return propagated(
        lambda pixels, length_mm: _magnification(pixels, length_mm, ruler.pixel_pitch_um),
        ruler.pixels,
        ruler.length_mm,
    )


def entrance_pupil_mm(ruler: Ruler) -> Estimate:
    """Entrance pupil to the ruler in focus [mm].

    Raises
    ------
    Refusal
        When the second frame is not clearly smaller than the first.

    Notes
    -----
    A blurred edge is centred on its chief ray, which passes through the entrance pupil: with the focus untouched the
    scale of a picture is as one over the distance from there, whether the ruler is sharp or not. With n pixels at
    the distance u and n' at u + d, n/n' = (u + d)/u, hence

        u = d n' / (n - n')
    """
    near, far, moved_mm = _two_frames(ruler)
    return propagated(_pupil_distance, near, far, moved_mm)


def pupil_magnification(ruler: Ruler, focal_length_mm: float) -> Estimate:
    """Exit pupil over entrance pupil of a lens of known focal length, from u = f (1/m + 1/P) [-].

    Raises
    ------
    Refusal
        When the frames do not give an entrance pupil, or one that no lens of this focal length has.
    """
    near, far, moved_mm = _two_frames(ruler)

    def inverse(pixels: float, after: float, moved: float, length_mm: float) -> float:
        m = _magnification(pixels, length_mm, ruler.pixel_pitch_um)
        return _pupil_distance(pixels, after, moved) / focal_length_mm - 1 / m

    inverse_pupil = propagated(inverse, near, far, moved_mm, ruler.length_mm)
    if inverse_pupil.value <= _CLEAR_OF_ZERO * inverse_pupil.standard_error:
        raise Refusal(
            f"these frames put the entrance pupil at {entrance_pupil_mm(ruler).value:.4g} mm, which gives no pupil "
            f"magnification for a focal length of {focal_length_mm:g} mm: 1/P would be {inverse_pupil.value:.3g} +/- "
            f"{inverse_pupil.margin:.2g}; move the rail farther between the frames, and check the focal length",
            code="pupil_unclear",
        )
    return propagated(lambda value: 1 / value, inverse_pupil)


def _magnification(pixels: float, length_mm: float, pixel_pitch_um: float) -> float:
    return pixels * pixel_pitch_um / 1000 / length_mm


def _pupil_distance(pixels: float, after: float, moved_mm: float) -> float:
    return moved_mm * after / (pixels - after)


def _two_frames(ruler: Ruler) -> tuple[Estimate, Estimate, Estimate]:
    near, far, moved_mm = ruler.pixels, ruler.pixels_after, ruler.moved_mm
    assert far is not None
    assert moved_mm is not None
    lost = propagated(lambda pixels, after: pixels - after, near, far)
    if lost.value <= _CLEAR_OF_ZERO * lost.standard_error:
        raise Refusal(
            f"the ruler spans {near.value:g} pixels in focus and {far.value:g} after the move: the difference, "
            f"{lost.value:g} +/- {lost.margin:.3g}, must be above 0, and by more than the error of the counts; move "
            "the rail farther away from the ruler, and leave the focus alone",
            code="pupil_unclear",
        )
    return near, far, moved_mm
