"""How findings of pictures are counted and named."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from stacker.figures import spans

_SHOWN = 6  # findings of one kind told one by one


def shown(texts: Sequence[str]) -> Iterable[str]:
    """The first of them, and how many more there are."""
    yield from texts[:_SHOWN]
    if len(texts) > _SHOWN:
        yield f"and {len(texts) - _SHOWN} more like these"


def named(frames: Sequence[int]) -> str:
    """Frames by their numbers."""
    return f"{'frame' if len(frames) == 1 else 'frames'} {spans(frames)}"


def finite(value: float) -> float | None:
    """For JSON, which has no infinity: None."""
    return value if math.isfinite(value) else None
