"""From runs and a folder to what is handed over of each stack, and what verification said of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stacker.errors import Refusal
from stacker.verifying.folder import Folder
from stacker.verifying.hand_over import HandOver, hand_over
from stacker.verifying.naming import safe_name
from stacker.verifying.shots import Run
from stacker.verifying.sub_stacks import sub_stacks
from stacker.verifying.takes import takes_of
from stacker.verifying.verdict import Verdict
from stacker.verifying.verify import Told, tell


@dataclass(frozen=True, kw_only=True, slots=True)
class Sorted:
    """One stack.

    Parameters
    ----------
    verdict : Verdict
        What the folder holds of it.
    hand_over : HandOver or None
        None: nothing, since its order is not certain.
    why_not : str
        The reason then.
    """

    verdict: Verdict
    hand_over: HandOver | None = None
    why_not: str = ""

    @property
    def whole(self) -> bool:
        """Whether every frame is handed over, and verification finds nothing amiss."""
        return self.hand_over is not None and not self.hand_over.lacking and self.verdict.complete


def sort_stacks(
    runs: Sequence[Run], folder: Folder, *, pictures_each: int = 1, group: int | None = None, shared: int = 0
) -> tuple[Sorted, ...]:
    """Lay the pictures of verified runs in depth order.

    Parameters
    ----------
    runs, folder, pictures_each
        As for `verify`.
    group, shared : int or None, int
        Frames of each sub-stack, and how many of them the next has as well; None: stacks are not divided.

    Raises
    ------
    Refusal
        When the journals are of plans that do not agree, or the groups cannot be made.
    """
    told = tell(runs, folder, pictures_each=pictures_each)
    names = _names([one.verdict for one in told])
    return tuple(_sorted(one, folder, name, group, shared) for one, name in zip(told, names, strict=True))


def _names(verdicts: Sequence[Verdict]) -> list[str]:
    """Folders of the stacks, by their journals; letters of either size are one to some file systems."""
    bases = [
        safe_name(Path(one.main).name.removesuffix(".jsonl").removesuffix(".run"))
        + ("" if one.panel is None else f"-panel-{one.panel:02}")
        for one in verdicts
    ]
    used, names = Counter[str](), list[str]()
    for base in bases:
        used[base.lower()] += 1
        names.append(base if used[base.lower()] == 1 else f"{base}.{used[base.lower()]}")  # no base has a point
    return names


def _sorted(told: Told, folder: Folder, name: str, group: int | None, shared: int) -> Sorted:
    verdict, past = told.verdict, told.stack.main.past
    frame_at, depth_at = past.columns.index("frame"), past.columns.index("focus_um")
    depth_um = {row[frame_at]: float(row[depth_at]) for row in past.rows}
    parts = sub_stacks(len(depth_um), group, shared) if group else ()
    if why_not := _why_not(verdict):
        return Sorted(verdict=verdict, why_not=why_not)
    try:
        takes = takes_of(told.readings, folder.pictures)
        unsound = frozenset(Path(damage.file) for damage in verdict.damaged)
        return Sorted(
            verdict=verdict,
            hand_over=hand_over(takes, depth_um, name=name, unsound=unsound, parts=parts),
        )
    except Refusal as refusal:
        return Sorted(verdict=verdict, why_not=str(refusal))


def _why_not(verdict: Verdict) -> str:
    """What leaves every picture of a stack in doubt."""
    if not verdict.times_fit:
        return "the times of the files do not fit the journal"
    if verdict.look_alikes:
        return (
            f"{verdict.look_alikes} more pictures fit its journal as well, so nobody can tell which are its own; name "
            "the journal of the other run too"
        )
    if verdict.unlinked:
        return "its journal does not say when the run went on, and spare pictures may take the place of its own"
    return ""
