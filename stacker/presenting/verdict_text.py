"""What ``verify`` found, for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from stacker.figures import spans
from stacker.presenting.tables import wrapped

_SHOWN = 12  # depths named one by one; beyond that ranges of frames are enough


def verdict_text(verdict: dict[str, Any]) -> list[str]:
    """Lines of at most 80 columns, the answer first.

    Parameters
    ----------
    verdict : dict
        The fields of a `Verdict` by name.
    """
    lines = wrapped(_headline(verdict))
    for text in _details(verdict):
        lines += wrapped(text, first="  ", indent="    ")
    return lines


def _headline(verdict: dict[str, Any]) -> str:
    frames = verdict["frames"]
    if verdict["complete"]:
        return f"Complete: all {frames} frames are there."
    if not verdict["times_fit"]:
        return f"Cannot tell: the files' times do not fit the journal ({verdict['pictures']} pictures)."
    least = len(verdict["missing"]) + len(verdict["not_shot"]) + verdict["doubtful_count"]
    if least:
        return f"NOT complete: {_count(least, 'frame')} of {frames} missing{_halves(verdict, ', ')}."
    if verdict["doubtful"] or verdict["unlinked"]:
        return f"Not proven complete: {frames} frames may be there, but the data can be read otherwise."
    return f"NOT complete: {_halves(verdict, '')}."


def _halves(verdict: dict[str, Any], before: str) -> str:
    count = len(verdict["halves"])
    return f"{before}{_count(count, 'frame')} with one file of two" if count else ""


def _details(verdict: dict[str, Any]) -> Iterable[str]:
    yield from _gaps(verdict)
    if not verdict["times_fit"]:
        fewer = f" At least {verdict['doubtful_count']} are missing." if verdict["doubtful_count"] else ""
        yield (
            f"{_count(verdict['pictures'], 'picture')} for {verdict['frames']} frames.{fewer} Copying may have changed "
            "the file times, or files of another run are among them." + _by_files(verdict)
        )
    if verdict["unlinked"]:
        yield "The journal does not say when it was resumed, so a spare picture may hide a lost one: look at them."
    yield from _oddities(verdict)
    if verdict["complete"]:
        source = "capture times" if verdict["clock"] == "exif" else "file times"
        yield f"By number, {source} and rhythm; look at the first and last picture all the same.{_by_files(verdict)}"


def _by_files(verdict: dict[str, Any]) -> str:
    """What would prove more than the times at which files were written."""
    return "" if verdict["clock"] == "exif" else " Capture times in the files prove more: pip install '.[exif]'."


def _gaps(verdict: dict[str, Any]) -> Iterable[str]:
    depth = verdict["focus_mm"]
    if verdict["missing"]:
        yield f"missing: {named(verdict['missing'], depth)}"
    if verdict["doubtful"] and verdict["times_fit"]:
        count = verdict["doubtful_count"]
        which = f"{count} of these" if count else "may be missing, one or more of these"
        yield f"{which}: {named(verdict['doubtful'], depth)}"
        yield (
            "Times and numbers alone cannot tell which (at an even rhythm a lost first frame looks like a lost last "
            f"one, and a test shot like a frame): look at the pictures, or shoot them all again.{_by_files(verdict)}"
        )
    if verdict["not_shot"]:
        yield f"not confirmed by the journal: {named(verdict['not_shot'], depth)}"
    if verdict["halves"]:
        yield f"raw file or JPEG missing: {named(verdict['halves'], depth)}"


def _oddities(verdict: dict[str, Any]) -> Iterable[str]:
    if verdict["doubled"]:
        yield f"taken more than once: {named(verdict['doubled'], verdict['focus_mm'])}; keep one each"
    if verdict["out_of_order"]:
        yield f"not in their turn by name: {spans(verdict['out_of_order'])}; sort by capture time, or rename"
    if verdict["extra"]:
        yield f"no frame of this run: {_listed(verdict['extra'])}"
    if (more := verdict["unplaced"] - len(verdict["extra"])) > 0:
        yield f"{_count(more, 'picture')} more than exposures; the times do not tell which"
    if verdict["copies"]:
        yield f"copies: {_listed(verdict['copies'])}"


def named(frames: Sequence[int], focus_mm: dict[int, float]) -> str:
    """Frames with their depths, or their ranges where they are many."""
    if len(frames) > _SHOWN:
        return spans(frames)
    return ", ".join(f"{frame} ({focus_mm[frame]:.3f} mm)" for frame in frames)


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
