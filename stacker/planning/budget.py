"""What a stack costs: time, storage, batteries, cards; what is not known stays unknown."""

from __future__ import annotations

from stacker.documents.pace import stack_times
from stacker.documents.plan import Budget
from stacker.documents.rail_profile import HandRail
from stacker.documents.request import Request
from stacker.planning import storage
from stacker.planning.draft import Draft
from stacker.planning.timeline import Timeline
from stacker.rail.wire_time import wire_of


def timeline_of(draft: Draft, part: slice = slice(None)) -> Timeline | None:
    """The clock of a stack, or of a part of its frames, in shooting order.

    ``None`` without a rail, with a person's hand or finger and no ``frame_s``, and with a motor without light.
    """
    request, rail, exposure_s = draft.request, draft.rail, draft.exposure_s
    if rail is None:
        return None
    if isinstance(rail.profile, HandRail) or rail.profile.by_hand:
        frame_s = rail.profile.frame_s
        frames = len(draft.planes.focus_um[part])
        return None if frame_s is None else Timeline.by_hand(frames, frame_s)
    if exposure_s is None:
        return None
    profile, order = rail.profile, draft.shooting_order
    positions = draft.planes.position_microsteps[order][part].tolist()
    exposures_s = exposure_s[order][part].tolist()
    return Timeline.of(list(stack_times(request, profile, positions, exposures_s, wire_of(profile))))


def budget_of(request: Request, frames: int, clock: Timeline | None) -> Budget:
    """Add up a stack of so many frames.

    Raises
    ------
    Refusal
        If a single raw file does not fit on a card.
    """
    camera = request.camera
    raw_mb, card_gb, rating = camera.raw_mb, camera.card_gb, camera.battery_frames
    pictures = frames * request.pictures_a_frame
    columns, rows = camera.pixels
    return Budget(
        duration_s=clock.duration_s if clock else None,
        frame_s=clock.frame_s if clock else None,
        raw_gb=storage.raw_gb(frames=pictures, raw_mb=raw_mb) if raw_mb else None,
        working_gb=storage.working_gb(frames=pictures, pixels=columns * rows),
        batteries=(
            storage.batteries(frames=pictures, duration_s=clock.duration_s, battery_frames=rating)
            if clock and rating
            else None
        ),
        cards=storage.cards(frames=pictures, raw_mb=raw_mb, card_gb=card_gb) if raw_mb and card_gb else None,
    )
