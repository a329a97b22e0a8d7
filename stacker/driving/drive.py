"""One run from the first question to the last word: ready, agreed, journalled, driven, and left in order."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path

from stacker import __version__
from stacker.driving import journal as journals
from stacker.driving import last_word, preflight
from stacker.driving.bench import connect
from stacker.driving.durable import DurableFile
from stacker.driving.going_on import Earlier, open_earlier, port_of
from stacker.driving.job import Job
from stacker.driving.journal import Journal
from stacker.driving.run_options import Outcome, Person, RunOptions
from stacker.driving.runner import run_frames
from stacker.driving.shutters import FirstLook, shutter_for
from stacker.driving.steps import check_steps
from stacker.driving.stopped import stopped
from stacker.driving.way import way_of
from stacker.errors import LinkError, Refusal, StackerError
from stacker.rail.clock import SystemClock
from stacker.rail.controller import Identity
from stacker.rail.rail import Rail
from stacker.rail.shutter import Shutter


def drive(
    job: Job,
    run_options: RunOptions,
    person: Person,
    *,
    journal_path: Path,
    resume: bool = False,
    after: Path | None = None,
    opener: Callable[..., DurableFile] = DurableFile,
) -> Outcome:
    """Run a plan, or what a journal left open of it.

    Parameters
    ----------
    job : Job
        The plan.
    run_options : RunOptions
        What the command line asks for.
    person : Person
        Who is asked and told.
    journal_path : Path
        The journal to create, or to go on with.
    resume : bool
        Go on with it.
    after : Path or None
        Journal of an earlier plan's run: only what this plan has beyond it is taken.
    opener : callable
        Opens the journal's file.

    Raises
    ------
    Refusal, LinkError
        Before anything moved.
    RunStopped
        Later: the journal is kept, and the message names the command that continues.
    """
    preflight.check_travel(job)
    with ExitStack() as closing:
        earlier: Earlier | None = None
        if (source := journal_path if resume else after) is not None:  # before the port: another run may have both
            earlier = open_earlier(source, opener)
            closing.callback(earlier.journal.close)
            if earlier.cut:
                person.tell(earlier.cut)
        way = way_of(job, run_options, earlier, after)
        rail, identity = connect(job.link, job.rail, person.stop_order, met=way.meet)
        closing.callback(rail.controller.close)
        shutter = shutter_for(rail, job.shutter, person.take)
        closing.callback(shutter.close)
        if preflight.exposure_unseen(job) and not run_options.yes:
            shutter = FirstLook(shutter, person.take)
        front_at, frames, where_from, refocused = way.place(person, rail, identity)
        _agree(job, run_options, person, rail, front_at, frames, where_from)
        begun = _begun(job, run_options, rail, identity, front_at, frames)
        if resume and earlier is not None:
            journal = earlier.journal
            journal.write("resume", utc=journals.utc_now(), **begun)
        else:
            header = _header(job, run_options, rail, identity, begun, after=after, refocused=refocused)
            journal = journals.create(journal_path, rail.clock.now, header, opener=opener)
            closing.callback(journal.close)
        kind = earlier.past.kind if resume and earlier is not None else run_options.kind
        last_shot = earlier.past.last_shot if earlier is not None and identity.boot == earlier.past.boot else 0
        return _run(job, run_options, person, rail, shutter, journal, kind, front_at, frames, last_shot)


def _begun(
    job: Job, run_options: RunOptions, rail: Rail, identity: Identity, front_at: int, frames: Sequence[int]
) -> dict[str, object]:
    """What the first line of a run and that of a resume have in common."""
    return {
        "software": __version__,
        "compressed": not isinstance(rail.clock, SystemClock),
        "frames": frames,
        "front_at_microsteps": front_at,
        "port": port_of(job.link.url),
        "url": run_options.url if run_options.url and run_options.url.isprintable() else None,
        "controller": identity.name,
        "boot": identity.boot,
        "cannot_know": last_word.doubts(job.link.gcode),
    }


def _header(
    job: Job,
    run_options: RunOptions,
    rail: Rail,
    identity: Identity,
    begun: dict[str, object],
    *,
    after: Path | None,
    refocused: bool,
) -> dict[str, object]:
    return {
        "run": secrets.token_hex(4),
        "plan": {"name": job.name, "digest": job.digest, "columns": job.columns, "rows": job.rows},
        "profile_digest": job.profile_digest,
        "microsteps_per_mm": job.rail.microsteps_per_mm,
        "kind": run_options.kind,
        "warm_up_s": run_options.warm_up_s,
        "after": None if after is None or not str(after).isprintable() else str(after.resolve()),
        "refocused": refocused,
        "session": rail.controller.session,
        "before": identity.session,
        "named": run_options.rail_at is not None,
        **begun,
    }


def _agree(
    job: Job, run_options: RunOptions, person: Person, rail: Rail, front_at: int, frames: Sequence[int], where_from: str
) -> None:
    """Check, set the limits, say what will happen, and ask."""
    preflight.check(job, front_at)
    text = preflight.announcement(job, rail.controller.where(), front_at, frames, where_from)
    if run_options.yes:
        person.tell(text)
    elif not person.confirm(f"{text}\nNothing in the way, camera ready? Go"):
        raise Refusal("not started: nothing moved.", code="declined")
    rail.narrow(*preflight.run_range(job, front_at))


def _run(
    job: Job,
    run_options: RunOptions,
    person: Person,
    rail: Rail,
    shutter: Shutter,
    journal: Journal,
    kind: str,
    front_at: int,
    frames: Sequence[int],
    last_shot: int,
) -> Outcome:
    try:
        if kind == "all" and not last_shot:
            rail.move(front_at)  # the plan's time 0 is the rail at rest at position 0
        duration_s = run_frames(
            job,
            rail,
            shutter,
            journal,
            front_at=front_at,
            frames=frames,
            last_shot=last_shot,
            warm_up_s=run_options.warm_up_s,
            report=person.report,
        )
        if kind == "ends":
            rail.move(front_at)  # whoever looks at the ends wants to see the front again
        steps = check_steps(job, rail)
        position = rail.here()
        if not job.hold_after:
            rail.controller.hold(on=False)
        journal.write("end", position_microsteps=position, steps=steps)
        if journal.elsewhere:
            person.tell(f"The folder was renamed during the run; the journal {journal.path.name} is still in it.")
    except StackerError as error:
        raise stopped(job, rail, journal, error) from error
    except BaseException:  # a fault of ours must not leave the rail running
        with suppress(LinkError):
            rail.controller.stop()
        raise
    return Outcome(
        journal=journal.path,
        past=journal.past(),
        frames=tuple(frames),
        duration_s=duration_s,
        position=position,
        steps=steps,
    )
