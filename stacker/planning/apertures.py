"""What each marked f-number buys: detail against frames, time and storage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from stacker.documents.request import CoupledRig, Light, ObjectiveRig, Request
from stacker.errors import Refusal
from stacker.planning.budget import budget_of, timeline_of
from stacker.planning.criterion import Aperture
from stacker.planning.planner import draft_of

MARKS = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class ApertureRow:
    """A marked f-number and what it costs; ``refused`` says why there is no stack, and then costs are ``None``."""

    f_number: float
    effective_f_number: float | None = None
    finest_detail_um: float | None = None
    slice_um: float | None = None
    frames: int | None = None
    duration_s: float | None = None
    raw_gb: float | None = None
    exposure_s: float | None = None
    diffraction: bool = False
    refused: str | None = None


def aperture_rows(request: Request, f_numbers: Sequence[float] = MARKS) -> list[ApertureRow]:
    """Plan the stack at each of several marked f-numbers, and at the request's own.

    Parameters
    ----------
    request : Request
        Its own f-number is one of the rows.
    f_numbers : sequence of float
        As marked on the ring.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn.
    """
    if isinstance(request.rig, (ObjectiveRig, CoupledRig)):
        raise Refusal(
            f"the aperture of the kind {request.rig.kind} is what it is; there is no ring to turn", key="rig.kind"
        )
    return [_row(request, f_number) for f_number in sorted({*f_numbers, request.rig.f_number})]


def _row(request: Request, f_number: float) -> ApertureRow:
    rig = request.rig
    assert not isinstance(rig, (ObjectiveRig, CoupledRig))
    here = replace(request, rig=replace(rig, f_number=f_number), light=_metered(request.light, f_number / rig.f_number))
    try:
        draft = draft_of(here)
        clock = timeline_of(here, draft.rail, draft.planes.position_microsteps, draft.exposure_s)
        budget = budget_of(here, draft.planes.frame_count, clock)
    except Refusal as refusal:
        return ApertureRow(f_number=f_number, refused=str(refusal))
    limit = draft.diffraction_f_number
    return ApertureRow(
        f_number=f_number,
        effective_f_number=draft.imaging.effective_f_number,
        finest_detail_um=draft.finest_detail_um,
        slice_um=float(draft.criterion.slice_um(Aperture.of(draft.imaging))),
        frames=draft.planes.frame_count,
        duration_s=budget.duration_s,
        raw_gb=budget.raw_gb,
        exposure_s=here.light.exposure_s if here.light else None,
        diffraction=limit is not None and f_number > limit,
    )


def _metered(light: Light | None, ratio: float) -> Light | None:
    """The light at another f-number: a lamp needs longer by the square of the ratio, a flash more power."""
    if light is None or light.kind == "flash":
        return light
    return replace(light, exposure_s=light.exposure_s * ratio**2)


def fewest_frames_for(rows: Sequence[ApertureRow], detail_um: float) -> ApertureRow | None:
    """The row that resolves a detail with the fewest frames; of equals the larger f-number; ``None``: none does."""
    able = [
        (row.frames, -row.f_number, row)
        for row in rows
        if row.frames is not None and row.finest_detail_um is not None and row.finest_detail_um <= detail_um
    ]
    return min(able, default=(0, 0.0, None))[2]
