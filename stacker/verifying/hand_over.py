"""What is handed over of a verified stack: one exposure of each frame, from front to back, whatever was taken when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from stacker.errors import Refusal
from stacker.verifying.naming import Piece, pieces_of
from stacker.verifying.sub_stacks import SubStack
from stacker.verifying.takes import Take


@dataclass(frozen=True, kw_only=True, slots=True)
class HandOver:
    """What is handed over of one stack.

    Parameters
    ----------
    name : str
        Of its folder.
    depth_um : mapping of int to float
        Depth of each frame of its plan [um].
    held : tuple of int
        How many frames have a picture among them, least and most by the near ways to read the folder.
    pieces : tuple of Piece
        Files, from front to back; those in two sub-stacks twice.
    sub_stacks : tuple of SubStack
        Empty where the stack is not divided.
    lacking : tuple of int
        Frames that have no picture among them by some near way to read the folder.
    doubles : tuple of Path
        Files of frames of which another exposure is handed over, and those that the run itself took back.
    in_doubt : tuple of Path
        Files that may be of this stack and were left out: damaged, or nobody can tell of which frame.
    """

    name: str
    depth_um: Mapping[int, float]
    held: tuple[int, int]
    pieces: tuple[Piece, ...]
    sub_stacks: tuple[SubStack, ...]
    lacking: tuple[int, ...]
    doubles: tuple[Path, ...]
    in_doubt: tuple[Path, ...]

    @property
    def front_to_back(self) -> list[int]:
        """Frames of the plan by depth."""
        return sorted(self.depth_um, key=lambda frame: self.depth_um[frame])


def hand_over(
    takes: Sequence[Take],
    depth_um: Mapping[int, float],
    *,
    name: str,
    unsound: frozenset[Path] = frozenset(),
    parts: Sequence[SubStack] = (),
) -> HandOver:
    """Choose one exposure of each frame and name its files by depth.

    Of several exposures of a frame the last is taken that the journal confirms and whose files are whole: whoever
    takes a frame again has a reason.

    Parameters
    ----------
    takes : sequence of Take
        Exposures that may be of the stack, in order of time.
    depth_um : mapping of int to float
        Depth of each frame of the plan [um].
    name : str
        Of the stack's folder.
    unsound : frozenset of Path
        Files that are not whole, or hold what another holds: nobody knows of which frame they are.
    parts : sequence of SubStack
        What the stack is divided into.

    Raises
    ------
    Refusal
        When the order is not certain.
    """
    order = sorted(depth_um, key=lambda frame: depth_um[frame])
    place_of = {frame: place for place, frame in enumerate(order, start=1)}
    kept, doubles, in_doubt = _chosen([take for take in takes if any(take.frames)], unsound)
    doubles += [take for take in takes if take.taken_back]
    if len(kept) <= len(in_doubt):
        raise Refusal("for most of its frames nobody can tell which picture is theirs", code="order")
    by_place = sorted(
        ((tuple(place_of[frame] for frame in take.frames), take) for take in kept), key=lambda pair: pair[0]
    )
    for (one, _), (other, _) in pairwise(by_place):
        if any(a > b for a, b in zip(one, other, strict=True)):
            raise Refusal("its pictures can be put in more than one order", code="order")
    ways = [{*way} for way in zip(*(take.frames for take in kept), strict=True)]
    return HandOver(
        name=name,
        depth_um=depth_um,
        held=(min(map(len, ways)), max(map(len, ways))),
        pieces=tuple(pieces_of(by_place, depth_um, stack=name, parts=parts)),
        sub_stacks=tuple(parts),
        lacking=tuple(sorted({frame for way in ways for frame in place_of.keys() - way})),
        doubles=tuple(path for take in doubles for path in take.files),
        in_doubt=tuple(dict.fromkeys(path for take in in_doubt for path in take.files)),
    )


def _chosen(takes: Sequence[Take], unsound: frozenset[Path]) -> tuple[list[Take], list[Take], list[Take]]:
    """Exposures to hand over, those of the same frames that are not needed, and those in doubt."""
    alike: dict[tuple[int, ...], list[Take]] = {}
    kept, doubles, in_doubt = list[Take](), list[Take](), list[Take]()
    for take in takes:
        if take.fixed and all(take.frames) and unsound.isdisjoint(take.files):
            alike.setdefault(take.frames, []).append(take)
        else:
            in_doubt.append(take)
    for mine in alike.values():
        confirmed = [take for take in mine if take.confirmed]
        if confirmed:
            kept.append(confirmed[-1])
            doubles += [take for take in mine if take is not confirmed[-1]]
        else:
            in_doubt += mine
    return kept, doubles, in_doubt
