"""Which exposure of a run each picture shows, by the order in which exposures and pictures came.

A picture is sure only where the count is even: as many have come as exposures were made, in the order of their names.
One that comes late is sure again once the next ones have caught up. Where that cannot be known (more pictures than
exposures, names out of order, the same file twice, pictures missing for long) the order is lost for the rest of the
run, since a picture laid to a wrong exposure would have a good frame taken again and leave the dark one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from stacker.pictures.raw import DEVELOPED

LATE = 4  # exposures whose pictures are awaited at once; with more, some are missing rather than late
_PICTURES = DEVELOPED | {".dng"}  # those that can be told from what programs leave beside them


class Arrivals:
    """The pictures of one run as they come.

    Attributes
    ----------
    shots : list of int
        Exposures made.
    names : list of str
        Pictures come.
    sure : int
        So many of the first pictures are of as many first exposures.
    lost : str
        Why nothing more can be laid to an exposure; empty: it can.
    """

    def __init__(self, before: Iterable[str] = ()) -> None:
        self._known = set(before)
        self._kind = ""
        self.shots: list[int] = []
        self.names: list[str] = []
        self.sure = 0
        self.lost = ""

    def exposing(self, shot: int) -> None:
        """An exposure is about to be made."""
        self.shots.append(shot)

    def come(self, names: Iterable[str]) -> None:
        """What lies in the folder now, all of it; before the first exposure it is none of this run."""
        if not self.shots:
            self._known.update(names)
            return
        new = sorted((name for name in names if name not in self._known and _ending(name) in _PICTURES), key=_order)
        for name in new:
            self._known.add(name)
            self._kind = self._kind or _ending(name)
            if _ending(name) != self._kind:  # of a pair one is looked at
                continue
            if self.names and _order(name) <= _order(self.names[-1]):
                self._lose("pictures came out of order")
            self.names.append(name)
        if len(self.names) > len(self.shots):
            self._lose("more pictures came than exposures were made")
        elif len(self.names) == len(self.shots) and not self.lost:
            self.sure = len(self.names)
        elif len(self.shots) - len(self.names) > LATE:
            self._lose("pictures are missing, or come too late to be told apart")

    def twice(self) -> None:
        """Two files are one picture."""
        self._lose("the same picture came twice")

    def _lose(self, why: str) -> None:
        self.lost = self.lost or why


def _ending(name: str) -> str:
    return "." + name.rpartition(".")[2].lower() if not name.startswith(".") else ""


def _order(name: str) -> list[tuple[int, str]]:
    """Numbers in a name count as numbers: 9 comes before 10."""
    return [(int(part), "") if part.isdigit() and part.isascii() else (0, part) for part in re.split(r"([0-9]+)", name)]
