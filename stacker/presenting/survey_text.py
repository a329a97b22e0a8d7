"""What a survey found, for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from stacker.figures import significant
from stacker.looking.survey import Survey
from stacker.presenting.tables import wrapped

_LABEL = 9  # columns, in which the name of a line stands


def survey_text(found: Survey, values: Mapping[str, Any], *, frames: int, of: int) -> list[str]:
    """Lines of at most 80 columns.

    Parameters
    ----------
    found : Survey
        What the pictures tell.
    values : mapping of str to object
        The request's keys for it.
    frames, of : int
        Frames that were looked into, and that the survey has.
    """
    lines = wrapped(f"Looked into {frames} of {of} frames of the survey.")
    for label, text in _facts(found, values):
        lines += wrapped(text, first=label.ljust(_LABEL), indent=" " * _LABEL)
    return lines


def _facts(found: Survey, values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    if found.reason is not None or found.front_um is None or found.back_um is None:
        yield "", f"cannot tell, because {found.reason}"
        return
    where = values.get("subject.front_at_mm")
    at = "" if where is None else f", with the rail at {where:g} mm"
    yield "front", f"{significant(found.front_um / 1000, 4)} mm from where the survey began{at}"
    yield "back", f"{values['subject.depth_mm']:g} mm deeper than the front"
    gaps = [f"{gap['from_mm']:g} to {gap['to_mm']:g} mm" for gap in values["subject.gaps"]]
    yield "gaps", f"no detail from {', '.join(gaps)} behind the front" if gaps else "none of three slices or more"
    yield "field", f"{found.told:.0%} of the picture tells its depth"
    if found.before_first:
        yield "goes on", "nearer than the first frame something is sharper still: survey again from farther out"
    if found.beyond_last:
        yield "goes on", "deeper than the last frame something is sharper still: survey again, farther in"
    yield "unseen", "what has no detail, is dark or lies outside of the field: look yourself whether it is in a gap"
