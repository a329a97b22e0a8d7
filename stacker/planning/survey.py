"""The coarse stack that tells where a subject begins, ends and has nothing: planned before its depth is known."""

from __future__ import annotations

from dataclasses import replace

from stacker.documents.focus import Focus
from stacker.documents.request import Request
from stacker.errors import Refusal
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.rig import imaging_of

COARSER = 3.0
"""A slice of a survey, in slices of the stack. Where a patch is sharpest is found to about a tenth of a step, which
is then a third of a slice; and a survey has about a quarter of the frames."""

_OVERLAP = 0.1
_FEWEST_PIXELS = 16  # the least that focus.output_pixels takes


def survey_of(request: Request) -> Request:
    """The request for a survey of the same range with the same rig.

    It is a whole stack of its own, for a picture with so few pixels that its slices are three times as thick; without
    zones, gaps and depths of panels, which are not known yet.

    Parameters
    ----------
    request : Request
        The stack that is to be planned after it. Its depth need only be a guess on the safe side.

    Raises
    ------
    Refusal
        Where even the coarsest picture has thinner slices.
    """
    wanted_um = COARSER * _slice_um(request)
    low, high = _FEWEST_PIXELS, max(request.camera.pixels)
    if _slice_um(_for_pixels(request, low)) < wanted_um:
        raise Refusal(
            "no coarser picture has slices three times as thick; plan the stack itself, with a depth on the safe side",
            code="no_survey",
            key="focus",
        )
    while high - low > 1:  # the most pixels whose slices are thick enough
        middle = (low + high) // 2
        low, high = (middle, high) if _slice_um(_for_pixels(request, middle)) >= wanted_um else (low, middle)
    subject = replace(request.subject, zones=(), gaps=())
    panels = None if request.panels is None else replace(request.panels, depths=())
    name = f"{request.name or 'stack'}, survey"
    return replace(_for_pixels(request, low), purpose="survey", name=name, subject=subject, panels=panels)


def _for_pixels(request: Request, output_pixels: int) -> Request:
    """The same stack for a smaller picture, with no more overlap than what a rail's scatter takes."""
    focus = request.focus
    coarse = replace(focus, model=Focus.model, output_pixels=output_pixels, overlap=_OVERLAP, seam_contrast=None)
    return replace(request, focus=coarse)


def _slice_um(request: Request) -> float:
    imaging = imaging_of(request)
    return float(Criterion.of(request, imaging).slice_um(Aperture.of(imaging)))
