"""One run from the first question to the last word: ready, agreed, journalled, driven, and left in order."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from stacker import __version__
from stacker.documents.journal import CLOSING, Past, read_journal
from stacker.driving import journal as journals
from stacker.driving import last_word, preflight, selection
from stacker.driving.bench import connect, make_ready, place_front
from stacker.driving.durable import DurableFile
from stacker.driving.job import Job
from stacker.driving.journal import Journal
from stacker.driving.runner import Progress, run_frames
from stacker.driving.shutters import shutter_for
from stacker.driving.steps import check_steps
from stacker.errors import LinkError, Refusal, RunStopped, StackerError
from stacker.figures import as_typed
from stacker.rail.controller import NOBODY, ControllerReset, Identity
from stacker.rail.rail import PositionLost, Rail, Wish
from stacker.rail.shutter import Shutter


@dataclass(frozen=True, kw_only=True, slots=True)
class Wishes:
    """What the command line asks for; positions in microsteps of the rail's own coordinates.

    Parameters
    ----------
    frames : tuple of int
        Frames to take; empty: all.
    closing_frame : bool
        Frame 1 once more at the end.
    warm_up_s : float
        Wait at the first frame [s].
    front_at, rail_at : int or None
        Where the front is; where the rail stands now.
    yes : bool
        Ask nothing.
    refocused : bool
        The front is in focus again after a lost position.
    kind : str
        ``all``, ``ends`` or ``frames``, for the journal.
    """

    frames: tuple[int, ...] = ()
    closing_frame: bool = False
    warm_up_s: float = 0.0
    front_at: int | None = None
    rail_at: int | None = None
    yes: bool = False
    refocused: bool = False
    kind: str = "all"


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """How to talk with whoever started the run.

    Parameters
    ----------
    confirm : callable
        Asks a yes-or-no question; not called when `Wishes.yes`.
    tell : callable
        Told what would have been asked, when `Wishes.yes`.
    take : callable
        Asks for a frame taken by hand.
    report : callable
        Told after each frame.
    wish : callable
        Go on, stop, or stop at once.
    """

    confirm: Callable[[str], bool]
    tell: Callable[[str], None] = lambda _: None
    take: Callable[[str], bool] = lambda _: False
    report: Callable[[Progress], None] = lambda _: None
    wish: Callable[[], Wish] = lambda: Wish.GO_ON


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """How a whole run ended.

    Parameters
    ----------
    journal : Path
        Its journal.
    frames : tuple of int
        Frames taken in this run; 0: the closing frame.
    doubled : tuple of int
        Frames that may be on the card twice.
    front_at : int
        Where position 0 was taken [microsteps].
    duration_s : float
        From the first move until the last file is written [s].
    position : int
        Where the rail stands [microsteps].
    steps : str
        What is known about lost steps.
    """

    journal: Path
    frames: tuple[int, ...]
    doubled: tuple[int, ...]
    front_at: int
    duration_s: float
    position: int
    steps: str


def drive(
    job: Job,
    wishes: Wishes,
    person: Person,
    *,
    journal_path: Path,
    resume: bool = False,
    opener: Callable[..., DurableFile] = DurableFile,
) -> Outcome:
    """Run a plan, or what a journal left open of it.

    Parameters
    ----------
    job : Job
        The plan.
    wishes : Wishes
        What the command line asks for.
    person : Person
        Who is asked and told.
    journal_path : Path
        The journal to create, or to go on with.
    resume : bool
        Go on with it.
    opener : callable
        Opens the journal's file.

    Raises
    ------
    Refusal, LinkError
        Before anything moved.
    RunStopped
        Later: the journal is kept, and the message names the command that continues.
    """
    with ExitStack() as closing:
        past: Past | None = None
        if resume:  # before the port is opened: another run may have both
            file, past = journals.reopen(journal_path, opener=opener)
            closing.callback(file.close)
            selection.left_open(job, past)
        rail, identity = connect(job.link, job.rail, person.wish)
        closing.callback(rail.controller.close)
        shutter = shutter_for(rail, job.shutter, person.take)
        closing.callback(shutter.close)
        if past is not None:
            journal = Journal(file, rail.clock.now)
            frames = _resumed(job, wishes, person, rail, identity, journal, past)
            front_at = past.front_at
            _agree(job, wishes, person, rail, front_at, frames, "as the journal says")
            journal.write(
                "resume",
                utc=journals.utc_now(),
                run=past.run,
                software=__version__,
                frames=frames,
                front_at_microsteps=front_at,
                boot=identity.boot,
                ambiguous=past.ambiguous,
            )
            last_shot = past.last_shot if identity.boot == past.boot else 0
        else:
            front_at, where_from = place_front(
                rail, job, front_at=wishes.front_at, rail_at=wishes.rail_at, yes=wishes.yes
            )
            frames = wishes.frames or tuple(range(1, job.count + 1))
            frames += (CLOSING,) if wishes.closing_frame else ()
            _agree(job, wishes, person, rail, front_at, frames, where_from)
            header = _header(job, wishes, rail, identity, front_at, frames)
            journal = journals.create(journal_path, rail.clock.now, header, opener=opener)
            closing.callback(journal.close)
            last_shot = 0
        return _run(job, wishes, person, rail, shutter, journal, journal_path, front_at, frames, last_shot)


def _header(
    job: Job, wishes: Wishes, rail: Rail, identity: Identity, front_at: int, frames: Sequence[int]
) -> dict[str, object]:
    return {
        "run": secrets.token_hex(4),
        "software": __version__,
        "plan": {"name": job.name, "digest": job.digest, "columns": job.columns, "rows": job.rows},
        "profile_digest": job.profile_digest,
        "front_at_microsteps": front_at,
        "microsteps_per_mm": job.rail.microsteps_per_mm,
        "kind": wishes.kind,
        "frames": frames,
        "controller": identity.name,
        "boot": identity.boot,
        "session": rail.controller.session,
        "cannot_know": last_word.doubts(job.link.gcode),
    }


def _resumed(
    job: Job, wishes: Wishes, person: Person, rail: Rail, identity: Identity, journal: Journal, past: Past
) -> tuple[int, ...]:
    """Which frames are to be taken; afterwards the rail counts as it did when the run began."""
    known = make_ready(rail).known and not past.lost and identity.boot == past.boot and not wishes.refocused
    doubt = "The rail's position was lost."
    if known and identity.session not in (past.session, NOBODY):
        doubt = "Another program used the rail since, and may have named its place anew (here, --rail-at-mm, find)."
        if wishes.yes:
            raise Refusal(
                f"{doubt} Go on without --yes, or focus the front and pass --refocused.", code="other_session"
            )
        known = person.confirm(f"{doubt}\nAre you sure that it was moved at most, and not named anew")
    journal.write("found", session=rail.controller.session, lost=not known)  # before its place is named anew
    if known:
        return past.pending
    question = (
        f"{doubt}\nIf the front is out of focus, answer n, bring it into focus with the rail (stacker jog, or\n"
        "stacker rail move), then resume with --refocused.\nIs the front in focus now"
    )
    if not wishes.refocused and (wishes.yes or not person.confirm(question)):
        raise Refusal(f"{doubt[:-1]}: focus the front again, then pass --refocused.", code="position_unknown")
    rail.controller.declare(past.front_at)
    return selection.after_refocusing(job, past)


def _agree(
    job: Job, wishes: Wishes, person: Person, rail: Rail, front_at: int, frames: Sequence[int], where_from: str
) -> None:
    """Check, set the limits, say what will happen, and ask."""
    preflight.check(job, front_at)
    text = preflight.announcement(job, rail.controller.where(), front_at, frames, where_from)
    if wishes.yes:
        person.tell(text)
    elif not person.confirm(f"{text}\nNothing in the way, camera ready? Go"):
        raise Refusal("not started: nothing moved.", code="declined")
    rail.narrow(*preflight.run_range(job, front_at))


def _run(
    job: Job,
    wishes: Wishes,
    person: Person,
    rail: Rail,
    shutter: Shutter,
    journal: Journal,
    journal_path: Path,
    front_at: int,
    frames: Sequence[int],
    last_shot: int,
) -> Outcome:
    try:
        if wishes.kind == "all" and not last_shot:
            rail.move(front_at)  # the plan's time 0 is the rail at rest at position 0
        duration_s = run_frames(
            job,
            rail,
            shutter,
            journal,
            front_at=front_at,
            frames=frames,
            last_shot=last_shot,
            warm_up_s=wishes.warm_up_s,
            report=person.report,
        )
        if wishes.kind == "ends":
            rail.move(front_at)  # else the next run, told that the front is "here", would begin at the back
        steps = check_steps(job, rail)
        position = rail.here()
        if not job.hold_after:
            rail.controller.hold(on=False)
        journal.write("end", position_microsteps=position, steps=steps)
    except StackerError as error:
        raise _stopped(job, rail, journal, journal_path, error) from error
    except BaseException:  # a fault of ours must not leave the rail running
        with suppress(LinkError):
            rail.controller.stop()
        raise
    past = read_journal(journal_path)
    return Outcome(
        journal=journal_path,
        frames=tuple(frames),
        doubled=past.doubled,
        front_at=front_at,
        duration_s=duration_s,
        position=position,
        steps=steps,
    )


def _stopped(job: Job, rail: Rail, journal: Journal, journal_path: Path, error: StackerError) -> RunStopped:
    """Bring everything to rest, write it down, and say how to go on."""
    try:
        if not rail.stopping:
            rail.controller.stop()  # harmless at rest
        where = rail.come_to_rest()
    except (LinkError, RunStopped):
        where = None
    lost = isinstance(error, (PositionLost, ControllerReset)) or (where is not None and not where.known)
    stands = last_word.stands(job, where, lost=lost)
    if not journal.broken:
        try:
            journal.write(
                "stop",
                code=error.code,
                reason=str(error),
                lost=lost,
                position_microsteps=None if where is None else where.position,
            )
        except RunStopped:
            stands += " The journal could not be closed; what it holds is good."
    past = read_journal(journal_path)
    taken = sum(1 for frame in past.confirmed if frame != CLOSING)
    plan = as_typed(job.path)
    follow = f"Go on: stacker drive {plan} --go --resume {as_typed(journal_path)}"
    if not past.pending:
        follow = f"Nothing is left open. To take frames again, focus the front; then: stacker drive {plan} --go"
    doubt = f" In doubt, to be taken again: {', '.join(map(str, past.ambiguous))}." if past.ambiguous else ""
    return RunStopped(
        f"{error}\n{stands} {taken} of {job.count} frames are confirmed.{doubt}\n{follow}",
        code=error.code,
    )
