"""How much of the frame's width is lost when frames of differing scale are brought to match."""

from __future__ import annotations

from typing import Literal

from stacker.optics.imaging import Imaging
from stacker.optics.rear import rear_focus

Moves = Literal["camera", "subject", "rear"]


def edge_loss(imaging: Imaging, *, moves: Moves, first_focus_mm: float, last_focus_mm: float) -> float | None:
    """Return the share of the width that not every frame covers, all frames scaled to the reference frame.

    Parameters
    ----------
    imaging : Imaging
        The rig with the front in focus.
    moves : {'camera', 'subject', 'rear'}
        What the rail carries.
    first_focus_mm, last_focus_mm : float
        Depths of the two outermost planes of focus, in either order [mm].

    Returns
    -------
    float or None
        None where the entrance pupil's place is unknown [-].

    Notes
    -----
    Derived. Camera or subject moving, each frame sees its own plane at the distance u from the entrance pupil, and
    the frame taken farthest away sees that plane at u + d, hence at u/(u + d) of the scale. With lens and subject at
    rest perspective stays; the scale goes with the distance from exit pupil to sensor, f (m + P).
    """
    near_mm, far_mm = sorted((first_focus_mm, last_focus_mm))
    if moves == "rear":
        ends = rear_focus(imaging, [near_mm, far_mm])
        # N_e is proportional to m + P
        return float(1 - ends.effective_f_number[1] / ends.effective_f_number[0])
    if imaging.telecentric:
        return 0.0
    if imaging.entrance_pupil_mm is None:
        return None
    travel_mm = far_mm - near_mm
    return travel_mm / (imaging.entrance_pupil_mm + travel_mm)


def edge_reference(moves: Moves) -> Literal["nearest", "farthest"]:
    """Return which plane of focus, nearest or farthest, belongs to the frame that shows most of the subject.

    The camera is farthest from the subject when it focuses on the nearest plane; the rear standard magnifies least
    when it focuses on the farthest.
    """
    return "farthest" if moves == "rear" else "nearest"
