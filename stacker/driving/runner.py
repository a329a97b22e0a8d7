"""The loop: move, verify, settle, journal the intent, fire, journal what came of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from stacker.documents.journal_values import CLOSING
from stacker.driving.job import Job
from stacker.driving.person import Progress
from stacker.driving.run import Run
from stacker.driving.watching import Again, EventLog
from stacker.motion.frame_clock import FrameClock
from stacker.rail.shutter import SyncStayedOpen


def run_frames(run: Run, journal: EventLog) -> float:
    """Take the frames of a run.

    Parameters
    ----------
    run : Run
        Ready; the limits of the run are set.
    journal : EventLog
        Begun.

    Returns
    -------
    float
        When the last file is written, after the start of the first move [s].

    Raises
    ------
    RunStopped, LinkError, Refusal
        Whatever ended the run early; the journal holds all until then.
    """
    job, rail, last_shot = run.job, run.rail, run.start.last_shot
    began_s = rail.clock.now()
    clock = FrameClock(job.pace, began_s if last_shot else None)  # the run before may have ended with a flash just now
    run.shutter.set_up()
    shot = run.shutter.next_shot(last_shot + 1)
    left, again, done = deque(run.start.frames), Again(run, journal), 0
    while left:
        frame, done = left.popleft(), done + 1
        rail.approach(run.position(frame), job.direction)
        if done == 1 and run.options.warm_up_s:
            rail.wait_until(rail.clock.now() + run.options.warm_up_s)
        evidence, shot = _expose(run, journal, clock, frame=frame, shot=shot)
        again.confirmed(frame, shot - 1)
        left.extendleft(reversed(again.frames()))
        elapsed_s = rail.clock.now() - began_s
        run.person.report(
            Progress(
                name=job.named(frame),
                done=done,
                total=done + len(left),
                elapsed_s=elapsed_s,
                left_s=_left_s(job, left, elapsed_s / done),
                evidence=evidence,
            )
        )
        if left:  # a stop after the last frame finds nothing left to stop
            rail.raise_if_stopped()
    return max(clock.written_s, rail.clock.now()) - began_s


def _expose(run: Run, journal: EventLog, clock: FrameClock, *, frame: int, shot: int) -> tuple[str, int]:
    """One frame with its repeats; returns the evidence and the next shot number."""
    rail, shutter, position = run.rail, run.shutter, run.position(frame)
    exposure_s = run.job.exposure_s[run.job.row(frame)]
    repeats_left = run.job.shutter.repeats if run.job.shutter.on_open_sync == "repeat" else 0
    while True:
        shutter.prepare(exposure_s)
        journal.write("intent", frame=frame, shot=shot, position_microsteps=position)
        rail.wait_until(clock.due_s(rail.arrived_s, exposure_s) - shutter.lead_s())
        rail.raise_if_stopped()
        run.watcher.exposing(frame, shot)
        contact_s = shutter.fire(shot, position)
        clock.fired(contact_s, exposure_s)
        journal.write("exposed", frame=frame, shot=shot)
        try:
            evidence = shutter.outcome(shot, contact_s, exposure_s)
        except SyncStayedOpen as error:
            journal.write("fault", frame=frame, shot=shot, code=error.code)
            if not repeats_left:
                raise
            repeats_left -= 1
            shot += 1
        else:
            journal.write("confirmed", frame=frame, shot=shot, evidence=evidence)
            return evidence, shot + 1


def _left_s(job: Job, rest: Iterable[int], mean_s: float) -> float:
    """How long the remaining frames take: by the plan where it knows and they follow one another, else by the mean."""
    left_s = 0.0
    for frame in rest:
        if job.start_s is None or frame in (CLOSING, 1):
            left_s += mean_s
        else:
            left_s += job.start_s[frame - 1] - job.start_s[frame - 2]
    return left_s
