"""What other values for assumed and measured ones would make of the plan, for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from stacker.planning.sensitivity import Case, Effect
from stacker.presenting.tables import table, wrapped

MEASURED = {
    "rig.magnification": "magnification",
    "rig.measured_magnification": "magnification",
    "rig.field_width_mm": "field in mm",
    "rig.entrance_pupil_mm": "entrance pupil in mm",
    "rig.pupil_magnification": "pupil magnification",
    "rig.effective_f_number": "effective f-number",
    "rig.na": "NA",
    "focus.lens_mtf50_lp_mm": "MTF50 in lp/mm",
    "focus.field_curvature_um": "field curvature, um",
}
"""What is measured, in words that leave room for the table."""

_NOTE = (
    "frames: of a plan made for that value. seam, if: contrast that the softest seam of this plan keeps if that value "
    "is the true one."
)


def effects_table(assumed: Sequence[Effect], measured: Sequence[Effect] = ()) -> list[str]:
    """The values that matter: the frames that other values need, and what the seams of this plan keep then.

    Parameters
    ----------
    assumed, measured : sequence of Effect
        One a value, the weightiest first; the others of a measured one are the ends of its interval.
    """
    out: list[str] = []
    if measured:
        out += ["", "Measured, and the ends of the 95 % intervals:", *_table("measured", measured, decimals=1)]
    if assumed:
        out += ["", "Assumed, since the request does not say:", *_table("assumed", assumed, decimals=0)]
    return [*out, *wrapped(_NOTE)] if out else []


def _table(head: str, effects: Sequence[Effect], *, decimals: int) -> list[str]:
    heads = [head, "value", "frames"] + ["if", "frames", "seam, if"] * (len(effects[0].cases) - 1)
    rows = []
    for effect in effects:
        taken, *others = effect.cases
        row = [MEASURED[effect.key] if head == "measured" else effect.key, f"{taken.value:.4g}", _frames(taken)]
        for case in others:
            row += [f"{case.value:.4g}", _frames(case), "?" if case.seam is None else f"{case.seam:.{decimals}%}"]
        rows.append(row)
    return table(heads, rows, left=1)


def _frames(case: Case) -> str:
    return "refused" if case.frames is None else str(case.frames)
