"""The short run through a flat target that tells what a lens does, planned from the request of the stack to come."""

from __future__ import annotations

from dataclasses import replace

from stacker.documents.request import Request
from stacker.documents.subject import Subject
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.rig import imaging_of

_OVERLAP = 0.75
"""Steps of a quarter of a slice: five frames lie within it, which is the least that `calibrating` needs."""
_STEPS = 10


def target_of(request: Request) -> Request:
    """The request for a run through a flat target with the same rig.

    Two and a half slices deep, as the width and shape of the curves need, in air, wherever the target stands, and no
    larger than the field.

    Parameters
    ----------
    request : Request
        Of the stack that is to be planned after it. Of its subject nothing counts but what must stay clear of it.
    """
    focus = replace(request.focus, overlap=_OVERLAP, seam_contrast=None)
    there = Subject(depth_mm=request.subject.depth_mm, keep_clear_mm=request.subject.keep_clear_mm)
    flat = replace(request, purpose="target", panels=None, focus=focus, subject=there)
    imaging = imaging_of(flat)
    slice_um = float(Criterion.of(flat, imaging).slice_um(Aperture.of(imaging)))
    depth_mm = round(_STEPS * (1 - _OVERLAP) * slice_um / 1000, 4)
    name = f"{request.name or 'stack'}, target"
    return replace(flat, name=name, subject=replace(there, depth_mm=depth_mm))
