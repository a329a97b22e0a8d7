"""What ``sort`` hands over: for the terminal, and the list that lies beside the files."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path, PurePosixPath

from stacker.figures import one_line, significant, spans
from stacker.presenting.tables import table, wrapped
from stacker.presenting.verdict_text import named
from stacker.verifying.copying import Put
from stacker.verifying.hand_over import HandOver
from stacker.verifying.sorting import Sorted
from stacker.verifying.verdict import Verdict

LIST = "depth_order.csv"
LIST_HEAD = "to,from,stack,sub_stack,frame,depth_um,or_frame,or_depth_um,how,bytes,sha256"
_SHOWN = 6  # names of files; the list has them all


def list_text(stacks: Sequence[Sorted], put: Mapping[PurePosixPath, Put], folder: Path) -> bytes:
    """Every file with where it came from (CSV by RFC 4180); ``or_`` columns where one of two frames is meant.

    Parameters
    ----------
    stacks : sequence of Sorted
        What was handed over.
    put : mapping
        What was done with each file, by its new name.
    folder : Path
        Of the originals.
    """
    out = io.StringIO()
    out.write(f"{LIST_HEAD}\r\n")
    rows = csv.writer(out)
    for piece in (piece for one in stacks if one.hand_over for piece in one.hand_over.pieces):
        done, (low, high) = put[piece.target], piece.depths_um
        frame, other = piece.frames if low <= high else piece.frames[::-1]
        choice = (other, f"{high:.1f}") if frame != other else ("", "")
        where = (piece.target, folder.resolve() / piece.source, piece.stack, piece.sub_stack or "")
        rows.writerow([*where, frame, f"{low:.1f}", *choice, done.how, done.size, done.sha256])
    return out.getvalue().encode("utf-8", "surrogateescape")  # a name that is no text keeps its bytes


def hand_over_text(stacks: Sequence[Sorted], sizes: Mapping[Path, int], into: Path, *, written: bool) -> list[str]:
    """Lines of at most 80 columns.

    Parameters
    ----------
    stacks : sequence of Sorted
        One or several.
    sizes : mapping of Path to int
        Bytes of each original that is handed over.
    into : Path
        Where.
    written : bool
        Whether it was done, or would be.
    """
    lines: list[str] = []
    for one in stacks:
        if one.hand_over is None:
            journal = one_line(Path(one.verdict.main).name)
            lines += wrapped(f"NOT sorted, {journal}: {one.why_not}.", indent="  ")
            continue
        lines += wrapped(_headline(one.hand_over, sizes, into, written=written))
        lines += [f"  {line}" for line in sub_stack_lines(one.hand_over)]
        for text in _details(one, one.hand_over):
            lines += wrapped(text, first="  ", indent="    ")
    for text in _of_the_folder(stacks[0].verdict):
        lines += wrapped(text, first="  ", indent="    ")
    return lines


def how_text(put: Collection[Put], *, copies: bool) -> list[str]:
    """Whether these are links or copies; before they are made, which of them they will be."""
    if not put:
        text = "Copies, as asked." if copies else "Hard links where the file system can make them, else copies."
        return wrapped(text, first="  ", indent="    ")
    kinds = Counter(one.how for one in put)
    there = sum(one.was_there for one in put)
    text = " and ".join(
        f"{kinds[how]} {words}" for how, words in (("link", "hard links"), ("copy", "copies")) if kinds[how]
    )
    if there:
        text += f" ({there} there already, compared by checksum)"
    if kinds["link"]:
        text += (
            ". A hard link is the original under a second name: what a program changes in it, it changes in both "
            "(--copy makes copies)"
        )
    return wrapped(f"{text}.", first="  ", indent="    ")


def _headline(one: HandOver, sizes: Mapping[Path, int], into: Path, *, written: bool) -> str:
    sources = {piece.source for piece in one.pieces}
    size = f"{len(sources)} files, {_size(sum(sizes[source] for source in sources))}"
    least, most = one.held
    count = f"{least}" if least == most else f"{least} to {most}"
    what = f"{count} of {len(one.depth_um)} frames" if one.lacking else f"All {count} frames"
    return (
        f"{what} {'handed over' if written else 'would be handed over'}, front to back, in "
        f"{one_line(str(into / one.name))} ({size})."
    )


def sub_stack_lines(one: HandOver) -> Iterable[str]:
    """Which frames to blend first, and how many of them the next have too."""
    if not one.sub_stacks:
        return
    order, parts = one.front_to_back, one.sub_stacks
    rows = []
    for part, after in zip(parts, (*parts[1:], None), strict=True):
        mine = order[part.first - 1 : part.last]
        near, far = (f"{one.depth_um[frame] / 1000:.3f}" for frame in (mine[0], mine[-1]))
        shared = f"{part.last - after.first + 1}" if after else ""
        rows.append((str(part.number), spans(sorted(mine)), str(len(mine)), near, far, shared))
    yield from table(("sub-stack", "frame numbers", "count", "nearest mm", "deepest mm", "shared"), rows)
    if len(parts) > 1:
        yield "Blend each sub-stack first, then the results. Shared: with the next one."


def _details(stack: Sorted, one: HandOver) -> Iterable[str]:
    verdict, depth_mm = stack.verdict, {frame: um / 1000 for frame, um in one.depth_um.items()}
    gone = {*verdict.missing, *verdict.not_shot}
    if missing := [frame for frame in one.lacking if frame in gone]:
        yield f"missing: {named(missing, depth_mm)}"
    if doubt := [frame for frame in one.lacking if frame not in gone]:
        yield f"perhaps missing, since no picture is certainly theirs or whole: {named(doubt, depth_mm)}"
    if verdict.halves:
        yield f"raw file or JPEG missing, the other one is there: {named(verdict.halves, depth_mm)}"
    if moved := {piece.source for piece in one.pieces if piece.frames[0] != piece.frames[1]}:
        yield (
            f"{len(moved)} files may each be one of two frames: their order is certain, their depth is one of the two "
            "that stand in the name"
        )
    if one.in_doubt:
        yield f"left out, in doubt or damaged: {_names(one.in_doubt)}"
    if one.doubles:
        yield (
            f"left out, other exposures of the same frames, or such as the run took back: {_names(one.doubles)}. The "
            "last that the journal confirms, its files whole, stands for each."
        )


def _of_the_folder(verdict: Verdict) -> Iterable[str]:
    found = verdict.found
    for names, what in ((found.extra, "no frame of these runs"), (found.copies, "copies"), (found.undated, "undated")):
        if names:
            yield f"left out, {what}: {_names(names)}"


def _names(names: Sequence[str | Path]) -> str:
    shown = ", ".join(one_line(str(name)) for name in names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"


def _size(count: int) -> str:
    return f"{significant(count / 1e9)} GB" if count >= 1e8 else f"{significant(count / 1e6)} MB"
