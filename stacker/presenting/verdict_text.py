"""What ``verify`` found, for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from stacker.figures import counted, install_command, one_line, spans
from stacker.presenting.tables import wrapped
from stacker.verifying.verdict import Damage, Verdict

_SHOWN = 12  # depths named one by one; beyond that ranges of frames are enough


def verdict_text(verdicts: Sequence[Verdict], *, faulty: Sequence[bool] | None = None) -> list[str]:
    """Lines of at most 80 columns, the answer first.

    Parameters
    ----------
    verdicts : sequence of Verdict
        One a stack.
    faulty : sequence of bool, optional
        Of each stack whether its pictures show a fault, where they were looked into: that has its own lines.
    """
    lines: list[str] = []
    for verdict, wrong in zip(verdicts, faulty or [False] * len(verdicts), strict=True):
        if len(verdicts) > 1:
            lines += wrapped(f"{one_line(verdict.title)}:")
        lines += wrapped(_headline(verdict, faulty=wrong))
        for text in _details(verdict):
            lines += wrapped(text, first="  ", indent="    ")
    if len(verdicts) > 1:
        lines += wrapped("The folder as a whole:")
    for text in [*_of_the_folder(verdicts), *_how_sure(verdicts, looked=faulty is not None)]:
        lines += wrapped(text, first="  ", indent="    ")
    return lines


def _headline(verdict: Verdict, *, faulty: bool) -> str:
    frames = verdict.frames
    if verdict.complete and faulty:
        return f"All {frames} frames are there, and their pictures show faults."
    if verdict.complete:
        return f"Complete: all {frames} frames are there."
    if not verdict.times_fit:
        return f"Cannot tell: the files' times do not fit the journal ({verdict.found.pictures} pictures)."
    sure = len(verdict.missing) + len(verdict.not_shot)
    least, most = sure + verdict.doubtful_least, sure + verdict.doubtful_most
    wrong = [f"{_range(least, most)} of {frames} missing"] if least else []
    if verdict.halves:
        wrong.append(f"{counted(len(verdict.halves), 'frame')} with one file of two")
    if damaged := [damage for damage in verdict.damaged if damage.frames]:
        wrong.append(f"{counted(len(damaged), 'file')} damaged or in doubt")
    if wrong:
        return f"NOT complete: {', '.join(wrong)}."
    return f"Not proven complete: {frames} frames may be there, but times and numbers can be read another way."


def _range(least: int, most: int) -> str:
    """A count of which only bounds are known."""
    if least == most:
        return counted(least, "frame")
    return f"{least} {'or' if most == least + 1 else 'to'} {most} frames"


def _details(verdict: Verdict) -> Iterable[str]:
    yield from _gaps(verdict)
    if not verdict.times_fit:
        fewer = f" At least {verdict.doubtful_least} are missing." if verdict.doubtful_least else ""
        pictures = counted(verdict.found.pictures, "picture")
        yield (
            f"{pictures} for {verdict.frames} frames.{fewer} Copying may have changed the file times, or files of "
            "another run are among them." + _by_files(verdict)
        )
    if verdict.unlinked:
        yield "The journal does not say when it was resumed, so a spare picture may hide a lost one: look at them."
    if verdict.look_alikes:
        yield (
            f"{verdict.look_alikes} pictures beyond these fit the journal as well, and times cannot tell which are "
            "its own: another run of this plan? Name its journal too, and they are told apart."
        )
    if verdict.doubled:
        yield f"taken more than once: {named(verdict.doubled, verdict.focus_mm)}; keep one each"
    if verdict.late:
        yield (
            f"taken out of turn: {_with_files(verdict.late, verdict.files)}. Neither capture order nor the order "
            "of names is depth order here; 'stacker sort' puts each in its place."
        )
    if renamed := sorted({*verdict.out_of_order} - {*verdict.late}):
        yield f"out of turn by name, not by capture order: {_with_files(renamed, verdict.files)}"


def _by_files(verdict: Verdict) -> str:
    """What would prove more than the times at which files were written."""
    if verdict.found.clock == "exif":
        return ""
    if verdict.found.exif_read:
        return " Capture times inside the files would prove more; too few of these have one."
    return f" Capture times inside the files prove more; in the folder with the source: {install_command('exif')}"


def _gaps(verdict: Verdict) -> Iterable[str]:
    depth = verdict.focus_mm
    if verdict.missing:
        yield f"missing: {named(verdict.missing, depth)}"
    if verdict.doubtful and verdict.times_fit:
        least, most = verdict.doubtful_least, verdict.doubtful_most
        span = f"{least}" if least == most else f"{least} {'or' if most == least + 1 else 'to'} {most}"
        which = f"{span} of these" if least else "may be missing, one or more of these"
        yield f"{which}: {named(verdict.doubtful, depth)}"
        yield (
            "Times and numbers alone cannot tell which (at an even rhythm a lost first frame looks like a lost last "
            f"one, and a test shot like a frame): look at the pictures, or shoot them all again.{_by_files(verdict)}"
        )
    if verdict.not_shot:
        yield f"not confirmed by the journal: {named(verdict.not_shot, depth)}"
    if verdict.halves:
        yield f"raw file or JPEG missing: {named(verdict.halves, depth)}"
    yield from _faults([damage for damage in verdict.damaged if damage.frames], depth)


def _faults(damaged: Sequence[Damage], depth: Mapping[int, float]) -> Iterable[str]:
    """Files by what is wrong with them; where their frames are known, with those."""
    files: dict[str, list[str]] = {}
    for damage in damaged:
        frames = " or ".join(f"{frame}, {depth[frame]:.3f} mm" for frame in damage.frames)
        name = one_line(damage.file)
        files.setdefault(one_line(damage.fault), []).append(f"{name} (frame {frames})" if frames else name)
    faults = list(files.items())
    for fault, names in faults[:_SHOWN]:
        yield f"{fault}: {_listed(names)}"
    if more := sum(len(names) for _, names in faults[_SHOWN:]):
        yield f"and {counted(more, 'file')} more with a fault"


def _of_the_folder(verdicts: Sequence[Verdict]) -> Iterable[str]:
    """What is said of files that belong to no frame."""
    found = verdicts[0].found
    loose = [damage for verdict in verdicts for damage in verdict.damaged if not damage.frames]
    yield from _faults([damage for place, damage in enumerate(loose) if damage not in loose[:place]], {})
    if found.undated:
        yield f"no capture time inside, so laid beside no frame: {_names(found.undated)}"
    if found.extra:
        yield f"no frame of this run: {_names(found.extra)}"
    if (more := found.unplaced - len(found.extra)) > 0:
        yield f"{counted(more, 'picture')} more than exposures; the times do not tell which"
    if found.copies:
        yield f"copies: {_names(found.copies)}"


def _how_sure(verdicts: Sequence[Verdict], *, looked: bool) -> Iterable[str]:
    """What the answer rests on, and what nobody looked at."""
    found = verdicts[0].found
    if any(verdict.complete for verdict in verdicts):
        source = "capture times" if found.clock == "exif" else "file times"
        unseen = " What the pictures show was not looked at: look at the first and last, or add --look."
        yield (
            f"By number, {source}, rhythm, and the bytes of the files.{'' if looked else unseen}"
            f"{_by_files(verdicts[0])}"
        )
    if found.unfollowed:
        yield (
            f"Whether {_names(found.unfollowed)} files are whole is not known here, only that they are not empty, "
            "all zeros or twice the same."
        )
    if found.pictures_each > 1:
        yield "The sizes of files were not compared, since a bracket has dark and bright ones."


def named(frames: Sequence[int], focus_mm: Mapping[int, float]) -> str:
    """Frames with their depths, or their ranges where they are many."""
    if len(frames) > _SHOWN:
        return spans(frames)
    return ", ".join(f"{frame} ({focus_mm[frame]:.3f} mm)" for frame in frames)


def _with_files(frames: Sequence[int], files: Mapping[int, Sequence[str]]) -> str:
    """Frames with the names of their files, where these are certain."""
    if len(frames) > _SHOWN:
        return spans(frames)
    texts = (" + ".join(map(one_line, files.get(frame, ()))) for frame in frames)
    return ", ".join(f"{frame} ({text})" if text else str(frame) for frame, text in zip(frames, texts, strict=True))


def _names(names: Sequence[str]) -> str:
    return _listed([one_line(name) for name in names])


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown if len(names) <= _SHOWN else f"{shown} and {len(names) - _SHOWN} more"
