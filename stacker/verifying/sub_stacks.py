"""Sub-stacks: a deep stack in groups that are blended first, each sharing some frames with the next."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.errors import Refusal

USUAL_SIZE, USUAL_SHARED = 40, 4  # common practice, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class SubStack:
    """One of them.

    Parameters
    ----------
    number : int
        From 1, front to back.
    first, last : int
        Places of its frames, counted from 1 at the front.
    """

    number: int
    first: int
    last: int


def sub_stacks(frames: int, size: int, shared: int) -> tuple[SubStack, ...]:
    """Divide a stack into as few groups as can be, alike in size, each with at least one frame that no other has.

    Parameters
    ----------
    frames : int
        Of the stack.
    size, shared : int
        Frames of a group at most, and how many of them are frames of the next as well.

    Raises
    ------
    Refusal
        When a group would share all of its frames, or a frame lie in three groups.
    """
    if not 0 <= shared <= size // 2:
        raise Refusal(
            f"found --groups {size} --shared {shared}: at most half of a group may be shared, or a frame would lie in "
            f"three of them; write --shared {size // 2} or less",
            code="groups",
        )
    count = max(1, -(-(frames - shared) // (size - shared)))
    size = max(2 * shared, -(-(frames + (count - 1) * shared) // count))  # no small rest of frames that are shared too
    parts, first = list[SubStack](), 1
    while True:
        last = min(frames, first + size - 1)
        parts.append(SubStack(number=len(parts) + 1, first=first, last=last))
        if last == frames:
            return tuple(parts)
        first += size - shared
