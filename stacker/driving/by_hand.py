"""A stack on a hand rail: a person turns the dial and ticks each frame. The journal is that of any run.

Where the dial stands, and whether the shutter opened, nobody but the person knows. What they say is written down as
their word (evidence ``person``), and never more than that.
"""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path

from stacker import __version__
from stacker.documents.journal import Past
from stacker.documents.journal_values import CLOSING
from stacker.driving import journal as journals
from stacker.driving import selection
from stacker.driving.beside import journal_path
from stacker.driving.durable import DurableFile
from stacker.driving.follow_up import resume_command
from stacker.driving.hand_job import HandJob
from stacker.driving.journal import Journal
from stacker.driving.turner import Answer, Turn, Turner
from stacker.errors import Refusal, RunStopped

PORT = "by hand"  # of a journal: no controller
_SOONEST_S = 0.5
"""Nobody turns a dial, lets it settle and takes a frame within that: a key held down ticks nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class HandOptions:
    """What the command line asks for, as in `RunOptions`."""

    frames: tuple[int, ...] = ()
    closing_frame: bool = False
    kind: str = "all"
    journal: Path | None = None
    resume: Path | None = None
    refocused: bool = False
    yes: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class HandOutcome:
    """How a run by hand ended: its journal, what that tells, and how many frames were ticked in what time [s]."""

    journal: Path
    past: Past
    ticked: int
    duration_s: float


def drive_by_hand(
    job: HandJob, options: HandOptions, turner: Turner, *, opener: Callable[..., DurableFile] = DurableFile
) -> HandOutcome:
    """Guide a person through a plan, or through what a journal left open of it.

    Raises
    ------
    Refusal
        Before the first frame.
    RunStopped
        When the person stops, or the journal cannot be written; the message names the command that goes on.
    """
    with ExitStack() as to_close:
        if options.resume is None:
            frames = (options.frames or tuple(range(1, job.count + 1))) + ((CLOSING,) if options.closing_frame else ())
            _agree(turner, options, f"{_SET_THE_DIAL}\nDial at 0, camera ready")
            path = options.journal or journal_path(job.path, datetime.now(timezone.utc))
            journal = journals.create(path, turner.now_s, _first_line(job, options.kind, frames), opener=opener)
            to_close.callback(journal.close)
            return _Guide(job, journal, turner, frames, 0).take()
        file, past, cut = journals.reopen(options.resume, opener=opener)
        journal = Journal(file, options.resume, turner.now_s)
        to_close.callback(journal.close)
        if cut:
            turner.notify(cut)
        pending = selection.pending_frames(job, past)
        holds = _dial_holds(journal, past, options, turner)
        frames = _in_order(
            pending
            if holds
            else selection.widened(pending, job.focus_um, job.dof_um, job.refocus_error_um, again=past.refocused)
        )
        journal.write("found", session="", lost=not holds)
        journal.write("resume", utc=journals.utc_now(), **_begun(frames))
        return _Guide(job, journal, turner, frames, past.last_shot).take()


_SET_THE_DIAL = "Bring the front of the subject into focus from the usual side, and set the dial to 0."


def _agree(turner: Turner, options: HandOptions, text: str) -> None:
    if options.yes:
        turner.notify(text)
    elif not turner.confirm(text):
        raise Refusal("not started: nothing was written.", code="declined")


def _dial_holds(journal: Journal, past: Past, options: HandOptions, turner: Turner) -> bool:
    """Whether the dial still counts from the front of the run; else, once that is in focus, it does so again.

    Raises
    ------
    Refusal
        When nobody says so.
    """
    if options.refocused:
        return False
    again = f"{_SET_THE_DIAL} Then pass --refocused."
    if past.lost:
        raise Refusal(f"the dial no longer counts from the front of that run. {again}", code="position_unknown")
    if options.yes:
        raise Refusal(
            f"only you know whether the dial still counts from the front of that run: leave out --yes. Else: {again}",
            code="position_unknown",
        )
    if not turner.confirm(
        "Has nobody touched rail, dial and subject since, so that the dial still counts from 0 there"
    ):
        journal.write("found", session="", lost=True)
        raise Refusal(again, code="position_unknown")
    return True


def _first_line(job: HandJob, kind: str, frames: tuple[int, ...]) -> dict[str, object]:
    return {
        "run": secrets.token_hex(4),
        "plan": {"name": job.name, "digest": job.digest, "columns": job.columns, "rows": job.rows},
        "profile_digest": job.profile_digest,
        "microsteps_per_mm": job.per_mm,
        "kind": kind,
        "pictures_a_frame": job.pictures_a_frame,
        **_begun(frames),
    }


def _begun(frames: tuple[int, ...]) -> dict[str, object]:
    return {
        "software": __version__,
        "compressed": False,
        "frames": frames,
        "front_at_microsteps": 0,
        "port": PORT,
        "boot": 0,
        "cannot_know": ["position: the dial is read by a person", "exposure: the release is pressed by a person"],
    }


def _in_order(frames: tuple[int, ...]) -> tuple[int, ...]:
    """Shooting order, the closing frame last: an undone frame stands behind those after it in a journal."""
    return tuple(sorted(frames, key=lambda frame: (frame == CLOSING, frame)))


class _Guide:
    """One session: asks for frame after frame, and keeps what it is told."""

    def __init__(self, job: HandJob, journal: Journal, turner: Turner, frames: tuple[int, ...], last_shot: int) -> None:
        self._job, self._journal, self._turner = job, journal, turner
        self._left, self._shot = deque(frames), last_shot
        self._ticked: list[tuple[int, int]] = []  # frame and shot of this session
        self._at: int | None = None

    def take(self) -> HandOutcome:
        """Until nothing is left, or the person stops."""
        began_s = self._turner.now_s()
        while self._left:
            self._shot += 1
            frame = self._left[0]
            self._journal.write("intent", frame=frame, shot=self._shot, position_microsteps=self._job.position(frame))
            self._hear(frame)
        self._journal.write("end", position_microsteps=self._at, steps="read off the dial by a person")
        return HandOutcome(
            journal=self._journal.path,
            past=self._journal.past(),
            ticked=len(self._ticked),
            duration_s=self._turner.now_s() - began_s,
        )

    def _hear(self, frame: int) -> None:
        """One answer about a frame whose intent is written."""
        answer = self._answer()
        if answer is Answer.STOP:
            raise self._stopped()
        if answer is Answer.TAKEN:
            self._journal.write("confirmed", frame=frame, shot=self._shot, evidence="person")
            self._ticked.append((frame, self._shot))
            self._left.popleft()
            self._at = self._job.position(frame)
            return
        if self._ticked:
            before, shot = self._ticked.pop()
            self._journal.write("undone", frame=before, shot=shot, taken=True)
            self._left.appendleft(before)
            self._at = None  # the dial may have been turned on already
        else:
            self._turner.notify("Nothing to undo in this session; --frames takes a frame of an earlier one again.")
        self._journal.write("undone", frame=frame, shot=self._shot, taken=False)

    def _answer(self) -> Answer:
        while True:
            asked_s = self._turner.now_s()
            answer = self._turner.ask(self._turn())
            if answer is not Answer.TAKEN or self._turner.now_s() - asked_s >= _SOONEST_S:
                return answer
            self._turner.notify("Not ticked: that was sooner than a dial is turned and a frame taken.")

    def _turn(self) -> Turn:
        job, frame = self._job, self._left[0]
        to = job.position(frame)
        onward = self._at is not None and (to - self._at) * job.direction >= 0
        return Turn(
            frame=frame,
            done=len(self._ticked),
            left=len(self._left),
            to=to,
            by=to - self._at if onward and self._at is not None else None,
            beyond=to - job.direction * job.take_up,
        )

    def _stopped(self) -> RunStopped:
        self._journal.write("stop", code="by_person", reason="stopped by you", lost=False, position_microsteps=self._at)
        past = self._journal.past()
        ticked = sum(1 for frame in past.confirmed if frame != CLOSING)
        doubt = f" In doubt, to be taken again: {', '.join(map(str, past.ambiguous))}." if past.ambiguous else ""
        return RunStopped(
            f"stopped by you: {ticked} of {self._job.count} frames are ticked.{doubt}\n"
            f"Leave dial and subject alone. Go on: {resume_command(self._job.path, self._journal.path, past)}",
            code="by_person",
        )
