"""Changes worth a thought: what would save most frames, or most risk, each with its numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from stacker.documents.emit import flow
from stacker.documents.fields import plain
from stacker.documents.plan import Advice
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import RingRig
from stacker.documents.subject import Zone
from stacker.errors import Refusal
from stacker.figures import significant
from stacker.planning.apertures import at_f_number, marked_f_number, set_options
from stacker.planning.draft import Draft, draft_of
from stacker.planning.gap_risk import RISK_WORTH_A_WARNING

_MOST = 3
_WORTH_SAVING = (
    0.03  # share of the frames under which a change is not worth a person's time: common practice, no source
)
_LEAST_OVERLAP = 0.1  # what registering the frames leaves of it: common practice, no source
_SEAM_GIVEN_UP = 0.05
# Thirds of a stop as they stand on rings and displays: common practice.
_THIRDS = (2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14, 16, 18, 20, 22)
_FINER = 10  # times finer steps, to see what rounding to whole ones costs


@dataclass(frozen=True, kw_only=True, slots=True)
class _Found:
    """One change and the frames it needs: ``urgent`` lowers too high a risk, ``softens`` lets diffraction show."""

    frames: int
    change: str | None
    text: str
    urgent: bool = False
    softens: bool = False


def advice_of(draft: Draft) -> tuple[Advice, ...]:
    """The changes that would help most, three at most, after what to know about the magnification.

    Parameters
    ----------
    draft : Draft
        The plan as it is.

    Notes
    -----
    Every number comes from a stack that was laid again with the change, all rules of the plan kept.
    """
    if draft.request.purpose != "stack":  # such frames are not blended, and they are few already
        return ()
    now = draft.planes.frame_count
    found = [one for one in _changes(draft) if one.urgent or now - one.frames >= max(2, _WORTH_SAVING * now)]
    found.sort(key=lambda one: (not one.urgent, one.softens, one.frames))
    changes = (Advice(change=one.change, text=one.text) for one in found[:_MOST])
    return (*_magnification(draft), *_single_frame(draft), *changes)


def _magnification(draft: Draft) -> Iterator[Advice]:
    by_mark = draft.imaging.magnification_by_marked_focal_length
    if by_mark is not None:
        text = (
            f"The plan assumes {draft.imaging.magnification:.3g}x, for a lens that shortens when focused close; "
            f"with the marked focal length it would be {by_mark:.3g}x. Photograph a ruler and write "
            "measured_magnification."
        )
        yield Advice(change=None, text=text)


def _single_frame(draft: Draft) -> Iterator[Advice]:
    subject, slice_um = draft.request.subject, float(draft.planes.slice_um.min())
    if not subject.zones and subject.depth_mm * 1000 <= slice_um:
        text = (
            f"One frame would do: the subject is {subject.depth_mm:g} mm deep, and a slice is "
            f"{significant(slice_um / 1000)} mm thick. Focus on the middle of the depth."
        )
        yield Advice(change=None, text=text)


def _changes(draft: Draft) -> Iterator[_Found]:
    if draft.planes.frame_count < 2:
        return
    yield from _steadier_rail(draft)
    yield from _wider_zones(draft)
    yield from _less_overlap(draft)
    yield from _smaller_aperture(draft)
    yield from _finer_steps(draft)
    yield from _known_lead(draft)


def _laid(request: Request) -> Draft | None:
    """The stack of a changed request; ``None`` where it would be refused."""
    try:
        return draft_of(request)
    except Refusal:
        return None


def _allowed(draft: Draft | None) -> bool:
    """Whether a stack can be shot, with no more risk than needs no warning."""
    return draft is not None and draft.gap_risk is not None and draft.gap_risk <= RISK_WORTH_A_WARNING


def _counts(draft: Draft, changed: Draft) -> str:
    return f"{changed.planes.frame_count} frames instead of {draft.planes.frame_count}"


def _seams(draft: Draft, changed: Draft) -> str:
    return f"the softest seam keeps {changed.softest_seam:.0%} of the contrast instead of {draft.softest_seam:.0%}"


def _with_focus(request: Request, **changes: Any) -> Request:
    return replace(request, focus=replace(request.focus, **changes))


# ---------------------------------------------------------------------------------------------------- the changes


def _wider_zones(draft: Draft) -> Iterator[_Found]:
    """The one zone that costs most, half way to what the rest of the stack asks."""
    request = draft.request
    zones, found = request.subject.zones, []
    for place, zone in enumerate(zones):
        wider = _half_way(zone, request)
        subject = replace(request.subject, zones=(*zones[:place], wider, *zones[place + 1 :]))
        changed = _laid(replace(request, subject=subject))
        if changed is None:
            continue
        asked = (
            f"overlap {wider.overlap:g} instead of {zone.overlap:g}"
            if zone.overlap is not None
            else f"kept_contrast {wider.kept_contrast:g} instead of {zone.kept_contrast:g}"
        )
        blocks = [{key: value for key, value in plain(one).items() if value is not None} for one in subject.zones]
        where = f"the zone {zone.name}" if zone.name else f"zone {place + 1}"
        found.append(
            _Found(
                frames=changed.planes.frame_count,
                change=f"subject.zones={flow(blocks)}",
                text=f"A wider step in {where}: {asked} there makes {_counts(draft, changed)}.",
            )
        )
    yield from sorted(found, key=lambda one: one.frames)[:1]


def _half_way(zone: Zone, request: Request) -> Zone:
    focus = request.focus
    if zone.overlap is not None:
        return replace(zone, overlap=round((zone.overlap + focus.overlap_asked) / 2, 3))
    assert zone.kept_contrast is not None  # the zone's own check
    return replace(zone, kept_contrast=round((zone.kept_contrast + focus.kept_contrast) / 2, 3))


def _less_overlap(draft: Draft) -> Iterator[_Found]:
    """The least overlap, in twentieths, that the rail still allows; or a lower share at the seams."""
    request = draft.request
    if not _allowed(draft):  # the scatter unknown, or too large already
        return
    seam = request.focus.seam_contrast
    if seam is not None:
        lower = round(seam - _SEAM_GIVEN_UP, 3)
        if lower <= request.focus.kept_contrast:
            return
        changes: list[tuple[str, dict[str, Any]]] = [(f"focus.seam_contrast={lower:g}", {"seam_contrast": lower})]
    else:
        twentieths = range(round(20 * _LEAST_OVERLAP), 20)
        tried = [part / 20 for part in twentieths if part / 20 < request.focus.overlap_asked - 1e-9]
        changes = [(f"focus.overlap={overlap:g}", {"overlap": overlap}) for overlap in tried]
    for change, values in changes:
        changed = _laid(_with_focus(request, **values))
        if changed is not None and _allowed(changed):
            yield _Found(
                frames=changed.planes.frame_count,
                change=change,
                text=f"Less overlap, which this rail allows (gap risk {_risk(changed.gap_risk)}): {change} makes "
                f"{_counts(draft, changed)}, and {_seams(draft, changed)}.",
            )
            return


def _risk(risk: float | None) -> str:
    return f"{risk:.2g}" if risk else "under one in a billion"


def _smaller_aperture(draft: Draft) -> Iterator[_Found]:
    """The largest marked f-number at which the finest detail is still what it is now; what it loses is told."""
    request = draft.request
    if not isinstance(request.rig, RingRig) or request.focus.lens_mtf50_lp_mm is not None:
        return  # no ring to turn; or a lens measured at this f-number alone
    now, smallest = marked_f_number(request), request.rig.smallest_f_number or _THIRDS[-1]
    detail_um = draft.finest_detail_um
    marks = np.array([mark for mark in _THIRDS if now * 1.05 < mark <= smallest])
    as_fine = marks[draft.criterion.still_resolved(marks / now)].tolist()
    if not as_fine:
        return
    mark = as_fine[-1]
    changed = _laid(at_f_number(request, mark))
    if changed is None:
        return
    before, after = draft.criterion.in_focus_at_target, changed.criterion.in_focus_at_target
    limit = draft.diffraction_f_number
    sets = set_options(request, mark)
    longer = "".join(f" and {one}" for one in sets[1:] if one.startswith("light"))
    yield _Found(
        frames=changed.planes.frame_count,
        change=" --set ".join(sets),
        softens=limit is not None and mark > limit,
        text=f"A smaller aperture: f/{mark:g}{longer} makes {_counts(draft, changed)}. Detail of {detail_um:.3g} um is "
        f"still resolved, but every frame is softer: in focus it has {after:.2f} of contrast instead of {before:.2f}.",
    )


def _finer_steps(draft: Draft) -> Iterator[_Found]:
    """What is lost because steps are rounded down to whole microsteps or divisions."""
    profile = draft.request.rail
    if profile is None or draft.rail is None:
        return
    if isinstance(profile, RailProfile):
        if profile.motor_turns_per_screw_turn * _FINER > 1000:
            return
        finer: Any = replace(profile, motor_turns_per_screw_turn=profile.motor_turns_per_screw_turn * _FINER)
    else:
        finer = replace(profile, dial=replace(profile.dial, divisions=profile.dial.divisions * _FINER))
    changed = _laid(replace(draft.request, rail=finer))
    if changed is not None:
        yield _Found(
            frames=changed.planes.frame_count,
            change=None,
            text=f"Another rail: steps are rounded down to whole {draft.rail.microstep_um:.3g} um; one that moves "
            f"{_FINER} times finer makes {_counts(draft, changed)}.",
        )


def _known_lead(draft: Draft) -> Iterator[_Found]:
    """The frames that stand beyond both ends because the lead is not known better."""
    rail = draft.request.rail
    if rail is None or draft.rail is None or draft.rail.lead_error == 0:
        return
    changed = _laid(replace(draft.request, rail=replace(rail, lead_error=0.0)))
    if changed is not None:
        yield _Found(
            frames=changed.planes.frame_count,
            change=None,
            text=f"A calibrated rail: with the lead error of {draft.rail.lead_error:g} measured away "
            f"('stacker calibrate rail') the stack needs {_counts(draft, changed)}.",
        )


def _steadier_rail(draft: Draft) -> Iterator[_Found]:
    """The repeatability that brings the gap risk down to what needs no warning, at the overlap as it is."""
    request, rail = draft.request, draft.rail
    if request.rail is None or rail is None or not rail.profile.repeatability_um or draft.gap_risk is None:
        return
    if draft.gap_risk <= RISK_WORTH_A_WARNING:
        return
    steady, found = 0.0, None
    shaky = now_um = rail.profile.repeatability_um
    for _ in range(8):  # to half a per cent of what the rail has now
        middle = (steady + shaky) / 2
        changed = _laid(replace(request, rail=replace(request.rail, repeatability_um=middle)))
        if _allowed(changed):
            steady, found = middle, changed
        else:
            shaky = middle
    if found is not None:
        yield _Found(
            frames=draft.planes.frame_count,
            change=None,
            urgent=True,
            text=f"Another rail: one that repeats to {steady:.2g} um instead of {now_um:.2g} um brings "
            f"the gap risk from {draft.gap_risk:.2g} down to {RISK_WORTH_A_WARNING:g} at this overlap.",
        )
