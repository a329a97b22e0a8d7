"""Where optics are impossible: the key of the request that decides it, and what to do."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

from stacker.documents.request import Request
from stacker.documents.rigs import CoupledRig, ObjectiveRig, Rig
from stacker.errors import Refusal
from stacker.optics.impossible import Impossible, Limit

P = ParamSpec("P")
T = TypeVar("T")

_REMEDIES: dict[Limit, tuple[str, str]] = {
    "focus_ring": (
        "rig.focused_at",
        "write a magnification in that range, nearest or infinity; tubes add the rest",
    ),
    "focus_at_infinity": ("rig.focused_at", "write focused_at: nearest, or add a tube or a close-up lens"),
    "focus_inside_lens": ("rig", "use less extension or a longer lens"),
    "image_distance": ("rig.image_distance_mm", "measure from the sensor to the principal plane, or add tubes"),
    "tube_length": ("rig.tube_length_mm", "use a longer tube"),
    "better_than_perfect": ("focus.lens_mtf50_lp_mm", "measure on the sensor, unsharpened, at this aperture"),
    "no_detail_left": ("focus", "take a smaller step or circle of confusion"),
    "lens_unknown": ("moves", "describe the rig with the kind lens or reversed, or move the camera or the subject"),
    "focus_too_near": ("focus.end_frames", "ask for fewer end frames"),
    "sensor_too_near": ("moves", "make the subject shallower or move the camera instead"),
}


def telling_keys(function: Callable[Concatenate[Request, P], T]) -> Callable[Concatenate[Request, P], T]:
    """Let a function of a request refuse impossible optics with the key that decides it and a remedy."""

    @wraps(function)
    def told(request: Request, /, *args: P.args, **keys: P.kwargs) -> T:
        try:
            return function(request, *args, **keys)
        except Impossible as impossible:
            key, remedy = remedy_for(impossible.limit, request.rig)
            raise Refusal(f"{impossible}: {remedy}", key=key) from None

    return told


def remedy_for(limit: Limit, rig: Rig) -> tuple[str, str]:
    """The key of a request that decides a limit of the optics, and what to do about it."""
    if limit != "aperture":
        return _REMEDIES[limit]
    match rig:
        case ObjectiveRig():
            return "rig.na", "check aperture and magnification, or give rig.immersion_index for an immersion objective"
        case CoupledRig():
            key = "front_f_number"
        case _:
            key = "f_number" if rig.f_number is not None else "effective_f_number"
    return f"rig.{key}", "check aperture and magnification"
