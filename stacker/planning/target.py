"""The short run through a flat target that tells what a lens does, planned from the request of the stack to come."""

from __future__ import annotations

from dataclasses import replace

from stacker.documents.request import Request
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.rig import imaging_of

_OVERLAP = 0.75
"""Steps of a quarter of a slice: five frames lie within it, which is the least that `calibrating` needs."""
_STEPS = 10


def target_of(request: Request) -> Request:
    """The request for a run through a flat target with the same rig.

    Two and a half slices deep, as the width and shape of the curves need, in air, and wherever the target stands.

    Parameters
    ----------
    request : Request
        Of the stack that is to be planned after it. What it says of its subject does not matter.
    """
    focus = replace(request.focus, overlap=_OVERLAP, seam_contrast=None)
    there = replace(request.subject, zones=(), gaps=(), front_at_mm=None, index=1.0)
    flat = replace(request, purpose="target", panels=None, focus=focus, subject=there)
    imaging = imaging_of(flat)
    slice_um = float(Criterion.of(flat, imaging).slice_um(Aperture.of(imaging)))
    depth_mm = round(_STEPS * (1 - _OVERLAP) * slice_um / 1000, 4)
    name = f"{request.name or 'stack'}, target"
    return replace(flat, name=name, subject=replace(there, depth_mm=depth_mm))
