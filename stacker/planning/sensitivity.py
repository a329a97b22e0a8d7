"""What the assumed values do to the frame count: each moved down and up, and the stack laid anew."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stacker.documents.request import Request
from stacker.errors import Refusal
from stacker.planning.draft import draft_of

# Likely bounds of what a person did not say: common practice, no source.
_BOUNDS: dict[str, tuple[float, float]] = {
    "rig.pupil_magnification": (0.7, 1.4),
    "focus.kept_contrast": (0.7, 0.9),
    "focus.resolved_contrast": (0.2, 0.4),
    "focus.overlap": (0.2, 0.4),
}


# Key, then pairs of a value and the frames it needs (None: refused); the value that was assumed comes first.
Effect = tuple[str, list[tuple[float, int | None]]]


def effects_of_assumptions(request: Request, assumed: dict[str, Any]) -> list[Effect]:
    """The assumed values that change the frame count, those that change it most first.

    Parameters
    ----------
    request : Request
        As it was planned.
    assumed : dict
        The defaults that were taken, by dotted key.

    Returns
    -------
    list of Effect
    """
    now = draft_of(request).planes.frame_count
    effects = [
        (key, [(float(assumed[key]), now), *((value, _frames(request, key, value)) for value in bounds)])
        for key, bounds in _BOUNDS.items()
        if key in assumed
    ]
    return sorted((effect for effect in effects if _spread(effect)), key=_spread, reverse=True)


def _spread(effect: Effect) -> int:
    frames = [count or 0 for _, count in effect[1]]
    return max(frames) - min(frames)


def _frames(request: Request, key: str, value: float) -> int | None:
    block_name, _, name = key.partition(".")
    block: Any = getattr(request, block_name)
    changed: dict[str, Any] = {block_name: replace(block, **{name: value})}
    try:
        return draft_of(replace(request, **changed)).planes.frame_count
    except Refusal:
        return None
