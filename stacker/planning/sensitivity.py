"""What assumed and measured values do: frames of a stack laid again, and what the seams of the plan as it is keep."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stacker.documents.request import Request
from stacker.errors import Refusal
from stacker.planning.criterion import Criterion
from stacker.planning.draft import Draft, draft_of, seams_of
from stacker.planning.focusing import Focusing
from stacker.planning.rig import imaging_of
from stacker.records import record

# Likely bounds of what a person did not say: common practice, no source. Pupil magnifications of lenses as they are
# sold reach from 0.5 (long ones) to 2 and more (wide ones).
BOUNDS: dict[str, tuple[float, float]] = {
    "rig.pupil_magnification": (0.5, 2.0),
    "rig.close_up_gap_mm": (10.0, 40.0),
    "focus.kept_contrast": (0.7, 0.9),
    "focus.resolved_contrast": (0.2, 0.4),
    "focus.overlap": (0.2, 0.4),
}
_SEEN = 0.005  # of the contrast: half of the last digit that is shown


@record
class Case:
    """One value of a key.

    Attributes
    ----------
    value : float
        What the key is taken to be.
    frames : int or None
        What a plan that knows it needs; None where that is refused.
    seam : float or None
        Share of contrast that the softest seam of the plan as it is keeps then; None for one frame or a refused rig.
    """

    value: float
    frames: int | None
    seam: float | None


@record
class Effect:
    """An assumed or measured value and two others: the one that was taken comes first in ``cases``."""

    key: str
    cases: tuple[Case, ...]


def effects_of_assumptions(request: Request, assumed: dict[str, Any]) -> list[Effect]:
    """The assumed values that change frames or seams, those that change the frames most first.

    Parameters
    ----------
    request : Request
        As it was planned.
    assumed : dict
        The defaults that were taken, by dotted key.
    """
    draft = draft_of(request)
    effects = [
        Effect(key=key, cases=tuple(_case(draft, key, float(value)) for value in (assumed[key], *bounds)))
        for key, bounds in BOUNDS.items()
        if key in assumed
    ]
    return sorted((effect for effect in effects if _matters(effect)), key=_spread, reverse=True)


def effects_of_margins(request: Request) -> list[Effect]:
    """The measured values with the ends of their intervals, those that change the frames most first."""
    draft = draft_of(request)
    effects = [
        Effect(key=key, cases=tuple(_case(draft, key, end) for end in (value, value - margin, value + margin)))
        for key, value, margin in request.measured
    ]
    return sorted((one for one in effects if _shows(one)), key=_spread, reverse=True)


def _shows(effect: Effect) -> bool:
    """Whether anything in the table would differ."""
    seams = [f"{case.seam:.1%}" for case in effect.cases if case.seam is not None]
    return _spread(effect) > 0 or len(set(seams)) > 1


def _matters(effect: Effect) -> bool:
    """What only moves a wish changes nothing; what is true of the bench may show at the seams alone."""
    seams = [case.seam for case in effect.cases if case.seam is not None and effect.key.startswith("rig.")]
    return _spread(effect) > 0 or max(seams, default=0.0) - min(seams, default=0.0) > _SEEN


def _spread(effect: Effect) -> int:
    frames = [case.frames or 0 for case in effect.cases]
    return max(frames) - min(frames)


def _case(draft: Draft, key: str, value: float) -> Case:
    block_name, _, name = key.partition(".")
    block: Any = getattr(draft.request, block_name)
    changes: dict[str, Any] = {block_name: replace(block, **{name: value})}
    request = replace(draft.request, **changes)
    if request == draft.request:
        return Case(value=value, frames=draft.planes.frame_count, seam=draft.softest_seam)
    try:
        frames = draft_of(request).planes.frame_count
    except Refusal:
        frames = None
    return Case(value=value, frames=frames, seam=_seam(draft, request))


def _seam(draft: Draft, request: Request) -> float | None:
    """What the softest seam of a stack keeps if another request describes the bench and what counts."""
    if draft.planes.frame_count < 2:
        return None
    try:
        imaging = imaging_of(request)
        criterion = Criterion.of(request, imaging)
        aperture = Focusing(request=request, imaging=imaging, criterion=criterion).aperture_at(draft.planes.focus_um)
        return float(seams_of(criterion, draft.planes, aperture)[draft.planes.joined].min())
    except Refusal:
        return None
