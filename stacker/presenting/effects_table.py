"""What other values for the assumed ones would make of the plan, for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from stacker.planning.sensitivity import Case, Effect
from stacker.presenting.tables import table, wrapped


def effects_table(effects: Sequence[Effect]) -> list[str]:
    """The assumed values that matter: the frames that other values need, and what the seams of this plan keep then.

    Parameters
    ----------
    effects : sequence of Effect
        One an assumed value, the weightiest first.
    """
    if not effects:
        return []
    head = ["assumed", "value", "frames"] + ["if", "frames", "seam, if"] * (len(effects[0].cases) - 1)
    rows = []
    for effect in effects:
        taken, *others = effect.cases
        row = [effect.key, f"{taken.value:g}", _frames(taken)]
        for case in others:
            row += [f"{case.value:g}", _frames(case), "?" if case.seam is None else f"{case.seam:.0%}"]
        rows.append(row)
    note = (
        "frames: of a plan made for that value. seam, if: contrast that the softest seam of this plan keeps if that "
        "value is the true one."
    )
    return ["", "Assumed, since the request does not say:", *table(head, rows, left=1), *wrapped(note)]


def _frames(case: Case) -> str:
    return "refused" if case.frames is None else str(case.frames)
