"""One run from the first question to the last word: ready, agreed, journalled, driven, and left in order."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime, timezone

from stacker import __version__
from stacker.driving import journal as journals
from stacker.driving import last_word, preflight
from stacker.driving.bench import connect
from stacker.driving.beside import journal_path
from stacker.driving.durable import DurableFile
from stacker.driving.going_on import Earlier, open_earlier
from stacker.driving.job import Job
from stacker.driving.journal import Journal
from stacker.driving.person import Person
from stacker.driving.run import Outcome, Run
from stacker.driving.run_options import RunOptions
from stacker.driving.runner import run_frames
from stacker.driving.shutters import FirstLook, shutter_for
from stacker.driving.steps import check_steps
from stacker.driving.stopped import left_in_order
from stacker.driving.watcher import Watcher
from stacker.driving.way import way_of
from stacker.errors import Refusal
from stacker.figures import one_line
from stacker.rail.address import port_of
from stacker.rail.clock import SystemClock


def drive(
    job: Job,
    options: RunOptions,
    person: Person,
    *,
    watcher: Watcher | None = None,
    opener: Callable[..., DurableFile] = DurableFile,
) -> Outcome:
    """Run a plan, or what a journal left open of it.

    Parameters
    ----------
    job : Job
        The plan.
    options : RunOptions
        What the command line asks for.
    person : Person
        Who is asked, shown and reported to.
    watcher : Watcher, optional
        Looks at the pictures as they come.
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
    with ExitStack() as to_close:
        earlier = earlier_of(options, person, opener, to_close)
        run = ready(job, options, person, earlier, to_close)
        run = run if watcher is None else replace(run, watcher=watcher)
        agree(run)
        return take(run, earlier, opener, to_close)


def earlier_of(
    options: RunOptions, person: Person, opener: Callable[..., DurableFile], to_close: ExitStack
) -> Earlier | None:
    """Open the journal to go on from, if any, before the port: another run may have both."""
    if options.earlier is None:
        return None
    earlier = open_earlier(options.earlier, opener)
    to_close.callback(earlier.journal.close)
    if earlier.cut:
        person.notify(earlier.cut)
    return earlier


def take(run: Run, earlier: Earlier | None, opener: Callable[..., DurableFile], to_close: ExitStack) -> Outcome:
    """Begin a journal, or go on with that of the earlier run, and take the frames."""
    if earlier is not None and run.options.resume is not None:
        journal = earlier.journal
        journal.write("resume", utc=journals.utc_now(), **_begun(run))
    else:
        path = run.options.journal or journal_path(run.job.path, datetime.now(timezone.utc))
        journal = journals.create(path, run.rail.clock.now, first_line(run), opener=opener)
        to_close.callback(journal.close)
    return _carry_out(run, journal)


def ready(job: Job, options: RunOptions, person: Person, earlier: Earlier | None, to_close: ExitStack) -> Run:
    """Connect rail and shutter, and find front and frames; nothing moves."""
    way = way_of(job, options, earlier)
    rail, identity = connect(job.link, job.rail, person.stop_order, met=way.meet)
    to_close.callback(rail.controller.close)
    shutter = shutter_for(rail, job, person.confirm_taken)
    to_close.callback(shutter.close)
    if preflight.exposure_unseen(job) and not options.yes:
        shutter = FirstLook(shutter, person.confirm_taken)
    start = way.start(person, rail, identity)
    return Run(job=job, options=options, person=person, rail=rail, identity=identity, shutter=shutter, start=start)


def agree(run: Run, others: Sequence[Job] = (), more: Sequence[str] = ()) -> None:
    """Check, set the limits for this run and others after it, say what will happen, and ask."""
    for job in (run.job, *others):
        preflight.check(job, run.start.front_at)
    text = "\n".join([preflight.announcement(run.job, run.rail.controller.where(), run.start), *more])
    if run.options.call is not None:
        text += (
            f"\ncall: at the end, at a stop and when you are needed this computer runs\n  {one_line(run.options.call)}"
        )
    if run.options.watch is not None:
        text += f"\nwatch: pictures are looked at as they come to\n  {one_line(str(run.options.watch))}"
    if run.options.yes:
        run.person.notify(text)
    elif not run.person.confirm(f"{text}\nNothing in the way, camera ready? Go"):
        raise Refusal("not started: nothing moved.", code="declined")
    low, high = zip(*(preflight.run_range(job, run.start.front_at) for job in (run.job, *others)), strict=True)
    run.rail.narrow(min(low), max(high))


def first_line(run: Run) -> dict[str, object]:
    """The first line of a new journal."""
    job, after = run.job, run.options.after
    return {
        "run": secrets.token_hex(4),
        "plan": {"name": job.name, "digest": job.digest, "columns": job.columns, "rows": job.rows},
        "profile_digest": job.profile_digest,
        "microsteps_per_mm": job.rail.microsteps_per_mm,
        "kind": run.options.kind,
        "warm_up_s": run.options.warm_up_s,
        "pictures_a_frame": job.pictures_a_frame,
        "after": None if after is None or not str(after).isprintable() else str(after.resolve()),
        "refocused": run.start.refocused,
        "session": run.rail.controller.session,
        "before": run.identity.session,
        "named": run.options.rail_at is not None,
        **({} if job.panel is None else {"panel": job.panel.panel, "set": run.set_name}),
        **({"between": job.between} if job.between else {}),
        **_begun(run),
    }


def _begun(run: Run) -> dict[str, object]:
    """What the first line of a run and that of a resume have in common."""
    url = run.options.url
    return {
        "software": __version__,
        "compressed": not isinstance(run.rail.clock, SystemClock),
        "frames": run.start.frames,
        "front_at_microsteps": run.start.front_at,
        "port": port_of(run.job.link.url),
        "url": url if url and url.isprintable() else None,
        "controller": run.identity.name,
        "boot": run.identity.boot,
        "cannot_know": last_word.doubts(run.job.link.gcode),
        **({} if run.job.panel is None else {"axes": run.axes}),
    }


def _carry_out(run: Run, journal: Journal) -> Outcome:
    """Take the frames, look for lost steps, and leave everything in order, also when that fails."""
    rail, start = run.rail, run.start
    with left_in_order(run, journal):
        if start.kind == "all" and not start.last_shot:
            rail.move(start.front_at)  # the plan's time 0 is the rail at rest at position 0
        duration_s = run_frames(run, journal)
        if start.kind == "ends":
            rail.move(start.front_at)  # whoever looks at the ends wants to see the front again
        steps = check_steps(run.job, rail)
        position = rail.here()
        if not run.job.hold_after:
            rail.controller.hold(on=False)
        journal.write("end", position_microsteps=position, steps=steps)
        if journal.elsewhere:
            run.person.notify(f"The folder was renamed during the run; the journal {journal.path.name} is still in it.")
    return Outcome(
        journal=journal.path,
        past=journal.past(),
        frames=start.frames,
        duration_s=duration_s,
        position=position,
        steps=steps,
    )
