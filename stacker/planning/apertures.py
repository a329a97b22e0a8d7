"""What each f-number buys: detail against frames, time and storage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stacker.documents.light import Light
from stacker.documents.request import Request
from stacker.documents.rigs import CoupledRig, ObjectiveRig, RingRig
from stacker.errors import Refusal
from stacker.optics.contrast import in_focus_contrast
from stacker.optics.otf import falling_root
from stacker.planning import rig
from stacker.planning.budget import budget_of, timeline_of
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.draft import draft_of, front_exposure_s
from stacker.planning.focus_grid import FloatArray
from stacker.planning.remedies import telling_keys
from stacker.planning.rig import imaging_of
from stacker.records import record

MARKS = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)


@record
class ApertureRow:
    """An f-number and what it costs; ``refused`` says why there is no stack, and then costs are ``None``."""

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


def ring_of(request: Request, *, widest: float = MARKS[0], smallest: float = MARKS[-1]) -> tuple[float, float]:
    """The ends of the aperture ring as f-numbers: what the request says, else these; the request's own is on it.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn.
    """
    own, rig = marked_f_number(request), request.rig
    assert isinstance(rig, RingRig)  # others were refused just now
    return min(rig.widest_f_number or widest, own), max(rig.smallest_f_number or smallest, own)


def aperture_rows(request: Request, f_numbers: Sequence[float] = MARKS) -> list[ApertureRow]:
    """Plan the stack at each of several marked f-numbers that the ring has, and at the request's own.

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
    widest, smallest = ring_of(request, widest=0.0, smallest=float("inf"))
    on_ring = {f_number for f_number in f_numbers if widest <= f_number <= smallest}
    return [aperture_row(request, f_number) for f_number in sorted({*on_ring, marked_f_number(request)})]


def marked_f_number(request: Request) -> float:
    """The marked f-number that a request asks for.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn.
    """
    if isinstance(request.rig, ObjectiveRig):
        raise Refusal("an objective has no ring to turn: its aperture is na", key="rig.kind")
    if isinstance(request.rig, CoupledRig):
        raise Refusal(
            "coupled lenses have no ring to turn but two: compare them with 'stacker plan REQUEST --set "
            "rig.front_f_number=4'",
            key="rig.kind",
        )
    return rig.marked_f_number(request)


@telling_keys
def at_f_number(request: Request, f_number: float) -> Request:
    """The same stack at another marked f-number: its light metered again, the lens's own blur as it was measured.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn, or the measured blur is less than a perfect lens has.
    """
    ratio = f_number / marked_f_number(request)
    assert isinstance(request.rig, RingRig)  # others were refused just now
    rig = replace(request.rig, f_number=f_number, effective_f_number=None)
    changed = replace(request, rig=rig, light=_metered(request.light, ratio))
    if ratio == 1 or request.focus.lens_mtf50_lp_mm is None:
        return changed
    return replace(changed, focus=replace(changed.focus, lens_mtf50_lp_mm=_mtf50_lp_mm(request, ratio)))


def set_options(request: Request, f_number: float) -> list[str]:
    """What to pass to --set, an item an option, so that a plan has another marked f-number and all that follows it."""
    changed, own = at_f_number(request, f_number), marked_f_number(request)
    out = [f"rig.f_number={f_number:g}"]
    if isinstance(request.rig, RingRig) and request.rig.effective_f_number is not None:
        out.append("rig.effective_f_number=null")
    if f_number != own and changed.light is not None and changed.light != request.light:
        out.append(f"light.exposure_s={changed.light.exposure_s:.3g}")
    if changed.focus != request.focus:
        out.append(f"focus.lens_mtf50_lp_mm={changed.focus.lens_mtf50_lp_mm:.4g}")
    return out


def _mtf50_lp_mm(request: Request, ratio: float) -> float:
    """What would be measured at another f-number if the lens's own blur stayed: nobody knows better without measuring.

    Real lenses blur less as they are stopped down, up to a point; so wider apertures come out too well here.
    """
    measured = Criterion.of(request, imaging_of(request))
    pitch_um = measured.pixel_pitch_um

    def above_half(frequency_lp_mm: FloatArray) -> FloatArray:
        contrast = in_focus_contrast(
            frequency_lp_mm,
            effective_f_number=measured.imaging.effective_f_number * ratio,
            pixel_pitch_um=pitch_um,
            spectrum=measured.spectrum,
            lens_falloff_mm2=measured.lens_falloff_mm2,
        )
        return contrast - 0.5

    return float(falling_root(above_half, 0.0, 1e3 / pitch_um)) * (1 - 1e-12)  # never above what a perfect lens gives


def _metered(light: Light | None, ratio: float) -> Light | None:
    """The light at another f-number: a lamp needs longer by the square of the ratio, a flash more power."""
    if light is None or light.kind == "flash" or light.at_f_number is not None:  # there the plan itself follows
        return light
    return replace(light, exposure_s=light.exposure_s * ratio**2)


def aperture_row(request: Request, f_number: float) -> ApertureRow:
    """Plan the stack at one marked f-number."""
    here = at_f_number(request, f_number)
    try:
        draft = draft_of(here)
        clock = timeline_of(draft)
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
        exposure_s=front_exposure_s(here.light, draft.imaging) if here.light else None,
        diffraction=limit is not None and f_number > limit,
    )
