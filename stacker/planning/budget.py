"""What a stack costs: time, storage, batteries, cards; what is not known stays unknown."""

from __future__ import annotations

from stacker.documents.plan import Budget
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.planning import storage
from stacker.planning.draft import Draft
from stacker.planning.timeline import Timeline, rail_times_s, timeline


def timeline_of(draft: Draft) -> Timeline | None:
    """The clock of a stack in shooting order; ``None`` without a motor, without light, or with a person's finger."""
    request, rail, exposure_s = draft.request, draft.rail, draft.exposure_s
    light = request.light
    if rail is None or light is None or exposure_s is None or not isinstance(rail.profile, RailProfile):
        return None
    if rail.profile.shutter.via == "manual":
        return None
    camera = request.camera
    return timeline(
        rail_times_s(
            draft.planes.position_microsteps[draft.shooting_order],
            direction=rail.direction,
            microstep_um=rail.microstep_um,
            take_up_microsteps=rail.take_up_microsteps,
            speed_mm_s=rail.profile.speed_mm_s,
            acceleration_mm_s2=rail.profile.acceleration_mm_s2,
            piece_s=rail.profile.piece_s,
            pause_s=rail.profile.pause_s,
        ),
        exposure_s=exposure_s[draft.shooting_order],
        settle_s=rail.profile.settle_s,
        recycle_s=max(light.recycle_s, rail.profile.contact_s),  # a contact that is closed cannot close again
        mirror_s=camera.mirror_s,
        lag_s=camera.lag_s,
        held_s=rail.profile.held_s,
        buffer_frames=camera.buffer_frames,
        raw_mb=camera.raw_mb,
        write_mb_s=camera.write_mb_s,
    )


def budget_of(request: Request, frames: int, clock: Timeline | None) -> Budget:
    """Add up a stack of so many frames.

    Raises
    ------
    Refusal
        If a single raw file does not fit on a card.
    """
    camera = request.camera
    raw_mb, card_gb, rating = camera.raw_mb, camera.card_gb, camera.battery_frames
    columns, rows = camera.pixels
    return Budget(
        duration_s=clock.duration_s if clock else None,
        frame_s=clock.frame_s if clock else None,
        raw_gb=storage.raw_gb(frames=frames, raw_mb=raw_mb) if raw_mb else None,
        working_gb=storage.working_gb(frames=frames, pixels=columns * rows),
        batteries=(
            storage.batteries(frames=frames, duration_s=clock.duration_s, battery_frames=rating)
            if clock and rating
            else None
        ),
        cards=storage.cards(frames=frames, raw_mb=raw_mb, card_gb=card_gb) if raw_mb and card_gb else None,
    )
