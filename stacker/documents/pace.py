"""From what is written of rail, camera and light to what a frame must wait for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stacker.documents.camera import Camera
from stacker.documents.gcode_link import GcodeLink
from stacker.documents.light import Light
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.motion.frame_clock import FrameTimes, Pace, Wire, frame_times, move_times_s


def pace_of(profile: RailProfile, camera: Camera, light: Light | None, wire: Wire | None = None) -> Pace:
    """What the frames of a stack wait for.

    Parameters
    ----------
    profile : RailProfile
        Settling, and the contact.
    camera : Camera
        Mirror and lag, buffer and card.
    light : Light or None
        Recycling, and when it must cool.
    wire : Wire or None
        Times of the line to the controller; None: they come from the line itself, or there is none.
    """
    shutter = profile.shutter
    no_contact = shutter.via in ("command", "manual")
    writes = camera.raw_mb is not None and camera.write_mb_s is not None
    pictures = light.pictures if light else 1
    return Pace(
        settle_s=profile.settle_s,
        recycle_s=light.recycle_s if light else 0.0,
        rest_after=light.rest_after if light else None,
        rest_s=light.rest_s if light else 0.0,
        buffer_frames=None if camera.buffer_frames is None else max(1, camera.buffer_frames // pictures),
        write_s=pictures * (camera.raw_mb or 0.0) / (camera.write_mb_s or 1.0) if writes else None,
        delay_s=camera.mirror_s + camera.lag_s,
        contact_s=0.0 if no_contact else shutter.pulse_s,
        bulb=shutter.bulb,
        focus_s=shutter.focus_s,
        held=not no_contact and (shutter.via != "rail" or isinstance(profile.link, GcodeLink)),
        wire=wire or Wire(),
    )


def stack_times(
    request: Request, profile: RailProfile, positions: Sequence[int], exposures_s: Sequence[float], wire: Wire
) -> Iterator[FrameTimes]:
    """The clock of a whole stack.

    Parameters
    ----------
    request : Request
        With a light.
    profile : RailProfile
        Its rail.
    positions : sequence of int
        Stops in shooting order, from position 0 [microsteps].
    exposures_s : sequence of float
        Metered exposure of each frame [s]; a bracket takes longer.
    wire : Wire
        Times of the line to the controller.
    """
    moves_s = move_times_s(
        positions,
        direction=request.direction,
        take_up=profile.take_up_microsteps,
        move_s=profile.mover(),
        wire=wire,
    )
    open_s = map(request.light.open_s, exposures_s) if request.light else exposures_s
    return frame_times(moves_s, open_s, pace_of(profile, request.camera, request.light, wire))
