"""``drive --watch``: between the run and the process that looks, and what is said of it at the end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from stacker.driving.watcher import Finding
from stacker.errors import Refusal
from stacker.figures import counted, one_line, spans

if TYPE_CHECKING:
    from stacker.documents.plan import Plan
    from stacker.driving.job import Job
    from stacker.looking.watch import Note


class _Beside(Protocol):
    ended: bool

    def exposing(self, frame: int, shot: int) -> None: ...
    def heard(self) -> list[Note]: ...


class FolderWatcher:
    """What a run hears of the pictures, in its own words.

    Parameters
    ----------
    beside : _Beside
        The process, by its side of the pipe.
    """

    def __init__(self, beside: _Beside) -> None:
        self._beside = beside
        self._exposed: dict[int, int] = {}  # frame of each shot
        self._told: dict[str, set[int]] = {"compared": set(), "blur": set(), "step": set()}  # shots, by what was told
        self._lost = ""

    @property
    def began(self) -> bool:
        """Whether any exposure was made."""
        return bool(self._exposed)

    def exposing(self, frame: int, shot: int) -> None:
        """The shutter is about to open."""
        self._exposed[shot] = frame
        self._beside.exposing(frame, shot)

    def poll(self) -> Sequence[Finding]:
        """What was found since the last call."""
        findings = []
        for note in self._beside.heard():
            if note.kind == "lost":
                self._lost = note.text
            elif note.kind in self._told:
                self._told[note.kind].add(note.shot)
            else:
                seen, stops_as = _said(note)
                findings.append(Finding(frame=note.frame, shot=note.shot, seen=seen, stops_as=stops_as))
        return findings

    def last_words(self) -> str:
        """What was looked at and what was not, once the run has ended."""
        late = self.poll()
        frames = set(self._exposed.values()) - {0}
        last_shot = {frame: shot for shot, frame in self._exposed.items()}
        told = {what: {frame for frame in frames if last_shot[frame] in shots} for what, shots in self._told.items()}
        text = (
            f"Looked at the light of {len(told['compared'])} of {len(frames)} frames while they came, for blur at "
            f"{len(told['blur'])}, and at {counted(len(told['step']), 'step')} between them."
        )
        if late:
            text += f" Found too late to be taken again: {spans(sorted({one.frame for one in late}))}."
        if rest := sorted(frames - told["compared"]):
            text += f" Not told: {spans(rest)}."
        if self._lost:
            text += f" Then {self._lost}: from there on nothing was laid to a frame."
        if self._beside.ended:
            text += " The process that looks has ended before the run did."
        return text + " verify --look tells the rest."


def _said(note: Note) -> tuple[str, str]:
    """A finding in words that go on after "is", and the code with which it stops the run, if it does."""
    match note.kind:
        case "under":
            return f"{note.stops:.1f} stops under its neighbours", ""
        case "in a row":
            return "more than 3 stops under the frames before", "dark"
        case "stalled":
            return "in the same plane of focus as the frame beside it", "stalled"
        case _:
            return note.text, ""


def refuse_unwatchable(job: Job, folder: Path) -> None:
    """Say before anything moves why pictures cannot be looked at as they come.

    Raises
    ------
    Refusal
        Without the extra, without the folder, with brackets.
    """
    from stacker.pictures.reading import need_pillow

    need_pillow()
    if not folder.is_dir():
        raise Refusal(f"--watch {one_line(str(folder))}: no such folder; name the one the pictures come to.")
    if job.pictures_a_frame > 1:
        raise Refusal("--watch does not go with brackets: their pictures differ in light by intent. Leave it out.")


@contextmanager
def watching(folder: Path | None, plan: Plan, job: Job) -> Iterator[FolderWatcher | None]:
    """A process that looks, for as long as a run goes on; None without a folder."""
    if folder is None:
        yield None
        return
    from stacker.looking.focus_by_now import Aim
    from stacker.looking.watch import BesideTheRun
    from stacker.planning.out_of_focus import OutOfFocus

    focus_um = dict(enumerate(job.focus_um, start=1))
    beside = BesideTheRun(folder, Aim(focus_um=focus_um, optics=OutOfFocus.of(plan)))
    try:
        yield FolderWatcher(beside)
    finally:
        beside.close()
