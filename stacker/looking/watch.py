"""A process beside a run that looks at each picture as it comes; the run tells it of exposures and waits for nothing.

Two threads stand between the run and the pipe to that process, so that neither a full pipe nor a process that hangs
or dies in the middle of a word can hold the run up.
"""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from queue import Empty, SimpleQueue

from stacker.errors import Refusal
from stacker.looking.arrivals import Arrivals
from stacker.looking.focus_by_now import NEAR, Aim, focused_by_now
from stacker.looking.light import DARK_STOPS
from stacker.looking.light_by_now import light_by_now
from stacker.looking.look_at import begin_process, unheard_below
from stacker.looking.seen import Seen, look_into
from stacker.pictures.soundness import look

_EVERY_S = 0.2  # the folder is read so often
_END_S = 2.0  # a process that does not end by itself until then is ended


@dataclass(frozen=True, kw_only=True, slots=True)
class Note:
    """One word from the process that looks.

    Parameters
    ----------
    kind : str
        ``under``, ``in a row``, ``blurred``, ``stalled`` or ``lost``; ``compared`` for light that could be told, and
        ``blur`` and ``step`` for what focus could tell.
    frame, shot : int
        Which frame by which exposure.
    stops : float
        So much under its neighbours.
    text : str
        How it is blurred; why the order is lost.
    """

    kind: str
    frame: int = 0
    shot: int = 0
    stops: float = 0.0
    text: str = ""


class Looker:
    """What the process does, without the process: exposures and the folder's files in, notes out.

    Parameters
    ----------
    folder : Path
        Where the pictures come.
    before : iterable of str
        Names of what lay there before the run.
    aim : Aim
        Where each frame is to be focused.
    """

    def __init__(self, folder: Path, before: Iterable[str], aim: Aim) -> None:
        self._folder, self._arrivals, self._aim = folder, Arrivals(before), aim
        self._frame_of: dict[int, int] = {}
        self._sizes: dict[str, tuple[int, int]] = {}
        self._looked, self._said_lost = 0, False
        self._shot: dict[int, int] = {}  # last one of each frame, in order of exposure
        self._seen: dict[int, Seen] = {}
        self._dark: set[int] = set()
        self._digests: set[bytes] = set()
        self._told: set[tuple[str, int]] = set()
        self._blurred: set[int] = set()  # exposures, as the last look had it

    def exposing(self, frame: int, shot: int) -> None:
        """The shutter is about to open."""
        self._frame_of[shot] = frame
        self._arrivals.exposing(shot)

    def scan(self) -> list[Note]:
        """Look at what has come; one picture at most, so that exposures are heard of between them."""
        with contextlib.suppress(OSError):  # a card's share may be gone for a moment
            self._arrivals.come(_names(self._folder))
        notes = [] if self._arrivals.lost else self._look()
        if self._arrivals.lost:
            notes = [] if self._said_lost else [Note(kind="lost", text=self._arrivals.lost)]
            self._said_lost = True
        return notes

    def _look(self) -> list[Note]:
        """The next picture, once it is whole: in order, since a frame is held against those before it."""
        if self._looked == self._arrivals.sure:
            return []
        path = self._folder / self._arrivals.names[self._looked]
        if not self._whole(path):
            return []
        shot = self._arrivals.shots[self._looked]
        self._looked += 1
        frame = self._frame_of[shot]
        with contextlib.suppress(OSError, Refusal):  # unreadable: not looked at
            digest = hashlib.sha256(path.read_bytes()).digest()
            if digest in self._digests:
                self._arrivals.twice()
                return []
            self._digests.add(digest)
            return self._tell(frame, shot, look_into(path))
        return []

    def _whole(self, path: Path) -> bool:
        """Whether a file has stood still between two looks and its bytes make a picture."""
        try:
            status = path.stat()
        except OSError:
            return False
        size = status.st_size, status.st_mtime_ns
        before, self._sizes[path.name] = self._sizes.get(path.name), size
        return before == size and look(path).fault is None

    def _tell(self, frame: int, shot: int, one: Seen) -> list[Note]:
        sizes = {seen.sizes for seen in self._seen.values()}
        if not frame or one.fault or (sizes and one.sizes not in sizes):  # the closing frame has no neighbour
            return []
        self._shot.pop(frame, None)
        self._shot[frame], self._seen[frame] = shot, one
        self._seen = {other: seen for other, seen in self._seen.items() if abs(other - frame) <= NEAR}
        near = [other for other in self._shot if other in self._seen]
        return self._of_light(near) + self._of_focus(frame)

    def _of_light(self, taken: list[int]) -> list[Note]:
        told = light_by_now(taken, {frame: seen.light for frame, seen in self._seen.items()})
        self._dark = {frame for frame in self._dark if frame not in (taken[-1], *told.compared)}
        self._dark |= {frame for frame, stops in told.under.items() if stops > DARK_STOPS}
        notes = [Note(kind="compared", frame=one, shot=self._shot[one]) for one in sorted(told.compared)]
        notes += [Note(kind="in a row", frame=one, shot=self._shot[one]) for one in told.in_a_row]
        return notes + [
            Note(kind="under", frame=one, shot=self._shot[one], stops=stops)
            for one, stops in sorted(told.under.items())
            if self._first("under", one)
        ]

    def _of_focus(self, last: int) -> list[Note]:
        told = focused_by_now(last, self._seen, self._dark, self._aim)
        notes = [Note(kind="blur", frame=one, shot=self._shot[one]) for one in sorted(told.sharp_beside)]
        notes += [Note(kind="step", frame=one, shot=self._shot[one]) for one in sorted(told.steps)]
        for pair in told.stalled:  # whichever was exposed later was not where it should have been
            later = max(pair, key=lambda frame: self._shot[frame])
            if self._first("stalled", later):
                notes.append(Note(kind="stalled", frame=later, shot=self._shot[later]))
        before, self._blurred = self._blurred, {self._shot[one] for one in told.blurred}
        return notes + [
            Note(kind="blurred", frame=one, shot=self._shot[one], text=how)
            for one, how in sorted(told.blurred.items())
            if self._shot[one] in before and self._first("blurred", one)  # twice running: what is told once passes
        ]

    def _first(self, kind: str, frame: int) -> bool:
        """Whether this was not yet said of the frame's last exposure."""
        said = kind, self._shot[frame]
        new = said not in self._told
        self._told.add(said)
        return new


def _names(folder: Path) -> frozenset[str]:
    return frozenset(path.name for path in folder.iterdir())


def _in_its_process(folder: Path, before: frozenset[str], aim: Aim, pipe: Connection) -> None:
    begin_process()
    looker = Looker(folder, before, aim)
    with contextlib.suppress(EOFError, OSError):
        while True:
            while pipe.poll(_EVERY_S):
                looker.exposing(*pipe.recv())
            for note in looker.scan():
                pipe.send(note)


class BesideTheRun:
    """The run's side: hands on and takes in, at once.

    Parameters
    ----------
    folder : Path
        Where the pictures come.
    aim : Aim
        Where each frame is to be focused.
    """

    def __init__(self, folder: Path, aim: Aim) -> None:
        context = get_context("spawn")  # a copy of a process that has threads may stand still
        self._pipe, theirs = context.Pipe()
        self._to_tell: SimpleQueue[tuple[int, int] | None] = SimpleQueue()
        self._heard: SimpleQueue[Note] = SimpleQueue()
        self.ended = False
        before = _names(folder)
        self.process = context.Process(target=_in_its_process, args=(folder, before, aim, theirs), daemon=True)
        with unheard_below():
            self.process.start()
        theirs.close()  # so that its end is heard here
        for work in (self._tell, self._listen):
            threading.Thread(target=work, daemon=True).start()

    def exposing(self, frame: int, shot: int) -> None:
        """The shutter is about to open."""
        self._to_tell.put((frame, shot))

    def heard(self) -> list[Note]:
        """What was said since the last call."""
        notes = []
        with contextlib.suppress(Empty):
            while True:
                notes.append(self._heard.get_nowait())
        return notes

    def close(self) -> None:
        """End the process."""
        self._to_tell.put(None)
        self.process.terminate()
        self.process.join(_END_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join(_END_S)

    def _tell(self) -> None:
        with contextlib.suppress(OSError):
            while (told := self._to_tell.get()) is not None:
                self._pipe.send(told)

    def _listen(self) -> None:
        try:
            while True:
                self._heard.put(self._pipe.recv())
        except Exception:  # noqa: BLE001  # whatever a process that was killed within a word leaves in the pipe
            self.ended = True
