"""The loop: move, verify, settle, journal the intent, fire, journal what came of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stacker.documents.journal_lines import CLOSING
from stacker.driving.job import Job
from stacker.driving.journal import Journal
from stacker.motion.frame_clock import FrameClock
from stacker.rail.rail import Rail
from stacker.rail.shutter import Shutter, SyncStayedOpen


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """One frame more.

    Parameters
    ----------
    frame : int
        Its number in the plan; 0: the closing frame.
    done, total : int
        Frames of this run.
    elapsed_s, left_s : float
        Since the first move; until the last frame, by the plan and by how long it took so far.
    evidence : str
        What proves the exposure.
    """

    frame: int
    done: int
    total: int
    elapsed_s: float
    left_s: float
    evidence: str


def run_frames(
    job: Job,
    rail: Rail,
    shutter: Shutter,
    journal: Journal,
    *,
    front_at: int,
    frames: Sequence[int],
    last_shot: int = 0,
    warm_up_s: float = 0.0,
    report: Callable[[Progress], None] = lambda _: None,
) -> float:
    """Take these frames.

    Parameters
    ----------
    job : Job
        The plan.
    rail, shutter, journal
        Ready; the limits of the run are set.
    front_at : int
        Rail position of position 0 [microsteps].
    frames : sequence of int
        Numbers from 1 in shooting order; 0: frame 1 once more at the end.
    last_shot : int
        Highest shot number used before.
    warm_up_s : float
        Wait that long at the first frame [s].
    report : callable
        Told after each frame.

    Returns
    -------
    float
        When the last file is written, after the start of the first move [s].

    Raises
    ------
    RunStopped, LinkError, Refusal
        Whatever ended the run early; the journal holds all until then.
    """
    began_s = rail.clock.now()
    clock = FrameClock(job.pace, began_s if last_shot else None)  # the run before may have ended with a flash just now
    shutter.set_up()
    shot = shutter.next_shot(last_shot + 1)
    for done, frame in enumerate(frames, start=1):
        row = max(frame, 1) - 1
        position = front_at + job.positions[row]
        rail.approach(position, job.direction)
        if done == 1 and warm_up_s:
            rail.wait_until(rail.clock.now() + warm_up_s)
        evidence, shot = _expose(job, rail, shutter, journal, clock, frame=frame, position=position, shot=shot)
        elapsed_s = rail.clock.now() - began_s
        report(
            Progress(
                frame=frame,
                done=done,
                total=len(frames),
                elapsed_s=elapsed_s,
                left_s=_left_s(job, frames[done:], elapsed_s / done),
                evidence=evidence,
            )
        )
        if done < len(frames):  # a stop after the last frame finds nothing left to stop
            rail.raise_if_stopped()
    return max(clock.written_s, rail.clock.now()) - began_s


def _expose(
    job: Job,
    rail: Rail,
    shutter: Shutter,
    journal: Journal,
    clock: FrameClock,
    *,
    frame: int,
    position: int,
    shot: int,
) -> tuple[str, int]:
    """One frame with its repeats; returns the evidence and the next shot number."""
    exposure_s = job.exposure_s[max(frame, 1) - 1]
    repeats_left = job.shutter.repeats if job.shutter.on_open_sync == "repeat" else 0
    while True:
        shutter.prepare(exposure_s)
        journal.write("intent", frame=frame, shot=shot, position_microsteps=position)
        rail.wait_until(clock.due_s(rail.arrived_s, exposure_s) - shutter.lead_s())
        rail.raise_if_stopped()
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


def _left_s(job: Job, rest: Sequence[int], mean_s: float) -> float:
    """How long the remaining frames take: by the plan where it knows and they follow one another, else by the mean."""
    left_s = 0.0
    for frame in rest:
        if job.start_s is None or frame in (CLOSING, 1):
            left_s += mean_s
        else:
            left_s += job.start_s[frame - 1] - job.start_s[frame - 2]
    return left_s
