"""Looking into the pictures that ``verify`` has laid beside frames: progress, what is kept, what it comes to."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.output import note
from stacker.errors import StackerError
from stacker.figures import one_line
from stacker.presenting.tables import duration

if TYPE_CHECKING:
    from stacker.documents.journal import Past
    from stacker.looking.kept import Key
    from stacker.looking.seen import Seen
    from stacker.looking.stack import Looked
    from stacker.planning.out_of_focus import OutOfFocus
    from stacker.verifying.verdict import Verdict

_BAR = 30  # columns
_SMALL_PX = 320
_DOUBTED = 24  # frames shown beside their neighbours: some megabytes
_EVERY_S = 0.2  # a terminal is written no oftener


@dataclass(frozen=True, kw_only=True)
class Look:
    """What came of looking into a stack.

    Parameters
    ----------
    looked : Looked
        What the pictures show.
    seconds : float
        How long it took [s].
    known : int
        Pictures that had been looked into before.
    """

    looked: Looked
    seconds: float
    known: int

    def text(self) -> list[str]:
        """For the terminal."""
        from stacker.presenting.looked_text import looked_text

        return looked_text(self.looked, seconds=self.seconds, known=self.known)

    def as_json(self) -> dict[str, Any]:
        """For programs; what is infinite, since it is clipped, is null."""
        from stacker.looking.depths import Depths

        told = {"found": self.looked.found, "to_take_again": self.looked.to_take_again, "seconds": self.seconds}
        facts = dataclasses.asdict(dataclasses.replace(self.looked, depths=Depths()))
        ends = self.looked.depths.ends
        facts["depths"] = {
            "reason": self.looked.depths.reason,
            "ends": ends and {**dataclasses.asdict(ends), "short": ends.short},
            "swapped": self.looked.depths.swapped,
            "smears": {frame: dataclasses.asdict(one) for frame, one in self.looked.depths.smears.items()},
            "between": [{**dataclasses.asdict(one), "off": one.step.off} for one in self.looked.depths.between],
        }
        finite: dict[str, Any] = _finite(facts)
        return {**told, **finite}


def look_into_stack(verdict: Verdict, past: Past, folder: Path, *, quiet: bool) -> Look:
    """Look into the pictures of one stack whose frames are certain.

    Parameters
    ----------
    verdict, past : Verdict, Past
        Of the stack, and of the run whose plan is meant.
    folder : Path
        Where the pictures are.
    quiet : bool
        Show no progress.

    Raises
    ------
    Refusal
        Where an extra is not installed.
    """
    from stacker.looking.stack import looked_at

    began_s = time.monotonic()
    seen = pictures_seen(verdict, folder, quiet=quiet)
    there = sorted({*range(1, verdict.frames + 1)} - {*verdict.missing, *verdict.not_shot})
    looked = looked_at(
        there, seen.files, seen.latest, seen.by_name, focus_um=focus_um(past), optics=optics_of(verdict, past)
    )
    return Look(looked=looked, seconds=time.monotonic() - began_s, known=seen.known)


@dataclass(frozen=True, kw_only=True)
class Pictures:
    """The pictures of one stack, looked into one by one.

    Parameters
    ----------
    files, latest
        As `looking.stack.chosen_files` gives them.
    by_name : dict of str to Seen
        What each file shows.
    known : int
        Pictures that had been looked into before.
    """

    files: tuple[dict[int, str], ...]
    latest: tuple[int, ...]
    by_name: dict[str, Seen]
    known: int


def focus_um(past: Past) -> dict[int, float]:
    """Planned depth of each frame of a run [um]."""
    frame_at, depth_at = past.columns.index("frame"), past.columns.index("focus_um")
    return {row[frame_at]: float(row[depth_at]) for row in past.rows}


def pictures_seen(verdict: Verdict, folder: Path, *, quiet: bool) -> Pictures:
    """Look into the pictures whose frames are certain, each file once, and keep what was seen.

    Raises
    ------
    Refusal
        Where an extra is not installed.
    """
    from stacker.looking.kept import kept_beside, read_kept
    from stacker.looking.look_at import look_at
    from stacker.looking.stack import chosen_files

    sure = {frame: names for frame, names in verdict.files.items() if frame not in verdict.doubtful}
    files, latest = chosen_files(sure, verdict.found.pictures_each)
    names = [name for one in files for name in one.values()]
    kept_at = kept_beside(Path(verdict.main))
    kept = read_kept(kept_at)
    seen: dict[Key, Seen] = {}
    bar = _Bar(len(names), quiet=quiet)
    try:
        for key, one in look_at(folder, names, kept):
            seen[key] = one
            bar.show(len(seen))
    finally:  # stopped or not: what was seen need not be seen again
        bar.wipe()
        _keep(kept_at, kept, seen, quiet=quiet)
    by_name = {key.name: one for key, one in seen.items()}
    return Pictures(files=files, latest=latest, by_name=by_name, known=len(kept.keys() & seen.keys()))


def optics_of(verdict: Verdict, past: Past) -> OutOfFocus | None:
    """Those of the plan that was run, where it is still beside its journal."""
    from stacker.documents.journal import plan_beside
    from stacker.documents.panels import of_whole
    from stacker.documents.plan_file import read_plan
    from stacker.planning.out_of_focus import OutOfFocus

    try:
        plan = read_plan(plan_beside(Path(verdict.main)))
        return OutOfFocus.of(plan) if plan.digest == of_whole(past.digest) else None
    except (StackerError, OSError):
        return None


def write_page(path: Path, verdicts: Sequence[Verdict], looks: Sequence[Look], folder: Path) -> None:
    """Write the page of what the pictures show.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    from stacker.documents.files import write_whole
    from stacker.presenting.looked_page import StackOnPage, doubted, looked_page
    from stacker.presenting.verdict_text import verdict_text

    stacks = [
        StackOnPage(
            name=Path(verdict.journals[0]).name,
            by_names=verdict_text([verdict], faulty=[look.looked.found]),
            looked=look.looked,
            seconds=look.seconds,
            known=look.known,
            small=_small({frame for row in doubted(look.looked, _DOUBTED).values() for frame in row}, look, folder),
        )
        for verdict, look in zip(verdicts, looks, strict=True)
    ]
    write_whole(path, looked_page(stacks))


def _small(frames: Iterable[int], look: Look, folder: Path) -> dict[int, str]:
    """Small pictures of frames; of those that cannot be opened there is none."""
    from stacker.errors import Refusal
    from stacker.pictures.preview import thumbnail

    small = {}
    for frame in sorted(frames):
        with contextlib.suppress(Refusal, OSError):
            small[frame] = thumbnail(folder / look.looked.files[0][frame], _SMALL_PX)
    return small


def _keep(path: Path, kept: Mapping[Key, Seen], seen: Mapping[Key, Seen], *, quiet: bool) -> None:
    """Write what was seen beside the journal; where that cannot be, the next look takes as long as this one."""
    from stacker.looking.kept import write_kept

    if seen.keys() <= kept.keys():
        return
    try:
        write_kept(path, {**kept, **seen})
    except OSError as error:
        note(f"{one_line(str(path))}: not kept for the next look ({error.strerror or error})", quiet=quiet)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


class _Bar:
    """How far it is, in one line that is written over; nothing where no person reads."""

    def __init__(self, total: int, *, quiet: bool) -> None:
        self.total, self.shown = total, not quiet and sys.stderr.isatty()
        self.began_s = self.last_s = time.monotonic()

    def show(self, done: int) -> None:
        """So many are done."""
        now_s = time.monotonic()
        if not self.shown or now_s - self.last_s < _EVERY_S:
            return
        self.last_s = now_s
        left_s = (now_s - self.began_s) / done * (self.total - done)
        full = _BAR * done // self.total
        text = f"[{'#' * full}{'.' * (_BAR - full)}] {done} of {self.total} pictures, {duration(left_s)} left"
        self._write(text)

    def wipe(self) -> None:
        """Leave the line empty."""
        if self.shown:
            self._write("")
            self._write(None)

    def _write(self, text: str | None) -> None:
        """Over the line; None: go to its beginning."""
        with contextlib.suppress(OSError):  # the terminal may be gone
            click.echo("\r" if text is None else f"\r{text:<79}", nl=False, err=True)
