"""What measured values do to the number of frames."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def change_of_frames(request: Path, lines: Mapping[str, Any]) -> tuple[list[int | None], str | None]:
    """Frames of the plan before and after values are put into a request; None where it cannot be planned.

    Returns
    -------
    list of (int or None)
        Before, after.
    str or None
        The same as a sentence; None where there was no plan before and after.
    """
    before = _frames(request, {})
    after = _frames(request, lines)
    if before is None or after is None:
        return [before, after], None
    if before == after:
        return [before, after], f"The plan keeps its {before} frames."
    return [before, after], f"The plan goes from {before} to {after} frames."


def _frames(request: Path, lines: Mapping[str, Any]) -> int | None:
    from stacker.documents import emit
    from stacker.documents.loading import load_request
    from stacker.errors import StackerError
    from stacker.planning.draft import draft_of

    try:
        asked = load_request(request, [f"{key}={emit.flow(value)}" for key, value in lines.items()]).value
        return draft_of(asked).planes.frame_count
    except StackerError:
        return None
