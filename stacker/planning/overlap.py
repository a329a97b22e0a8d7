"""The overlap that a scattering rail needs."""

from __future__ import annotations

from dataclasses import replace

from stacker.documents.request import Request
from stacker.planning.draft import draft_of
from stacker.planning.gap_risk import overlap_that_holds


def overlap_for_rail(request: Request) -> float | None:
    """The smallest overlap, in hundredths and at most 0.7, that brings the gap risk down to what needs no warning.

    Parameters
    ----------
    request : Request
        A request whose plan has too high a risk.

    Returns
    -------
    float or None
        ``None`` where no such overlap does.
    """

    def risk_at(overlap: float) -> float | None:
        focus = replace(request.focus, overlap=overlap, seam_contrast=None)
        return draft_of(replace(request, focus=focus)).gap_risk

    return overlap_that_holds(risk_at, overlap=request.focus.overlap_asked)
