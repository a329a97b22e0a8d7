"""Names of files that are handed over: they sort from front to back, and every file system takes them."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from stacker.verifying.sub_stacks import SubStack
from stacker.verifying.takes import Take

_LENGTH = 80  # leaves room for the rest of a path on every system
# Names of devices on Windows, whatever ending follows: Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """One file to be handed over.

    Parameters
    ----------
    source : Path
        The file, relative to the folder of the camera's files.
    target : PurePosixPath
        Its new name, relative to the folder that is handed over.
    stack : str
        Name of its stack.
    sub_stack : int
        Number of its sub-stack; 0: the stack is not divided.
    frames : tuple of int
        Least and greatest frame of the plan that it may be; alike where times and numbers leave no choice.
    depths_um : tuple of float
        Least and greatest depth [um].
    """

    source: Path
    target: PurePosixPath
    stack: str
    sub_stack: int
    frames: tuple[int, int]
    depths_um: tuple[float, float]


def safe_name(text: str) -> str:
    """A name of letters, digits, hyphens and underscores without accents, which no system reserves."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    name = re.sub(r"[^A-Za-z0-9_-]+", "_", plain)[:_LENGTH].strip("_-") or "stack"
    return f"{name}_" if name.lower() in _DEVICES else name


def pieces_of(
    by_place: Sequence[tuple[tuple[int, ...], Take]],
    depth_um: Mapping[int, float],
    *,
    stack: str,
    parts: Sequence[SubStack] = (),
) -> Iterator[Piece]:
    """Every file with its new name: place from the front, depth, number in its bracket.

    Parameters
    ----------
    by_place : sequence of tuple
        Places that each exposure may have, counted from 1 at the front, and the exposure; from front to back.
    depth_um : mapping of int to float
        Depth of each frame of the plan [um].
    stack : str
        Name of the stack's folder.
    parts : sequence of SubStack
        Folders in it; none: the files lie in the stack's own.
    """
    order = sorted(depth_um, key=lambda frame: depth_um[frame])
    digits = max(4, len(str(len(order))))
    times, used = Counter(min(places) for places, _ in by_place), Counter[int]()
    for places, take in by_place:
        low, high = min(places), max(places)
        used[low] += 1
        again = f"-{used[low]:0{len(str(times[low]))}}" if times[low] > 1 else ""
        depths_um = depth_um[order[low - 1]], depth_um[order[high - 1]]
        base = f"{low:0{digits}}{again}_{_depths(*depths_um)}"
        for part in [part for part in parts if part.first <= low <= part.last] if parts else [None]:
            home = f"{stack}/sub_stack_{part.number:0{len(str(len(parts)))}}" if part else stack
            for number, files in enumerate(take.pictures, start=1):
                exposure = f"_{number:0{len(str(len(take.pictures)))}}" if len(take.pictures) > 1 else ""
                for source in files:
                    yield Piece(
                        source=source,
                        target=PurePosixPath(home) / f"{base}{exposure}{_ending(source)}",
                        stack=stack,
                        sub_stack=part.number if part else 0,
                        frames=(min(take.frames), max(take.frames)),
                        depths_um=depths_um,
                    )


def _depths(low_um: float, high_um: float) -> str:
    low, high = f"{low_um:.0f}".replace("-0", "0"), f"{high_um:.0f}"
    return f"{low}um" if low_um == high_um else f"{low}to{high}um"


def _ending(source: Path) -> str:
    return "." + re.sub("[^a-z0-9]", "_", source.suffix.lower().removeprefix("."))
