"""What optics cannot be or do, told in physical words; whoever knows the request adds its key and a remedy."""

from __future__ import annotations

from typing import Literal, TypeAlias

from stacker.errors import Refusal

Limit: TypeAlias = Literal[
    "aperture",  # no cone of light is wider than the index allows
    "focus_ring",  # set past nearest focus
    "focus_at_infinity",  # nothing near is in focus
    "focus_inside_lens",
    "image_distance",  # within the focal length
    "tube_length",  # too short for an image
    "better_than_perfect",  # a measured lens
    "no_detail_left",  # too far out of focus
    "lens_unknown",  # no focal length to move a sensor by
    "focus_too_near",  # for a moving sensor
    "sensor_too_near",
]


class Impossible(Refusal):
    """Optics that cannot exist, or cannot do what is asked.

    Parameters
    ----------
    limit : str
        Which of the limits of `Limit` is passed.
    message : str
        What was found and what would be possible, with values and their units.
    """

    def __init__(self, limit: Limit, message: str) -> None:
        super().__init__(message)
        self.limit: Limit = limit
