"""A lamp's exposure beside an f-number that ``--set`` changes: it follows only where it was said what it is for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from stacker.cli.output import note

if TYPE_CHECKING:
    from stacker.documents.request import Request

_F_NUMBERS = ("rig.f_number", "rig.effective_f_number", "rig.rear_f_number", "rig.front_f_number")


def note_exposure_that_stays(request: Request, overrides: Sequence[str], *, quiet: bool) -> None:
    """Say that a lamp's exposure stays as it was under another f-number, unless it is overridden as well.

    Parameters
    ----------
    request : Request
        As it was read, overrides included.
    overrides : sequence of str
        Texts such as ``rig.f_number=8``.
    quiet : bool
        Say nothing.
    """
    from stacker.documents.rigs import RingRig

    light, keys = request.light, [override.partition("=")[0].strip() for override in overrides]
    changed = [key for key in keys if key in _F_NUMBERS]
    if light is None or light.kind == "flash" or light.at_f_number is not None or not changed:
        return
    if "light.exposure_s" in keys or "light" in keys:
        return
    from textwrap import fill  # slow to import, and seldom needed

    text = f"light.exposure_s stays at {light.exposure_s:g} s whatever {changed[0]} is set to. If it was metered at "
    text += "another f-number, set light.exposure_s too"
    if isinstance(request.rig, RingRig):
        text += ", or write that marked f-number in light.at_f_number, and the exposure follows"
    note(fill(f"{text}.", 80, break_long_words=False), quiet=quiet)
