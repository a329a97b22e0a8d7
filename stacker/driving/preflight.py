"""What must hold before anything moves, and what the person should know."""

from __future__ import annotations

import shlex
from textwrap import wrap

from stacker.documents.words import HANDS
from stacker.driving.job import Job
from stacker.driving.last_word import doubts
from stacker.driving.run import Start
from stacker.errors import Refusal
from stacker.figures import counted, one_line
from stacker.motion.take_up import extent
from stacker.rail.controller import Where


def run_range(job: Job, front_at: int) -> tuple[int, int]:
    """The positions that this run needs, take-up included [microsteps, the rail's coordinates]."""
    low, high = extent(job.positions, direction=job.direction, take_up=job.rail.take_up)
    return front_at + low, front_at + high


def check(job: Job, front_at: int) -> None:
    """Refuse a run that would leave the soft limits or touch the subject.

    Parameters
    ----------
    job : Job
        What is to run.
    front_at : int
        Rail position of the front [microsteps].

    Raises
    ------
    Refusal
        With what was found, what is accepted and what to do.
    """
    s = job.rail
    low, high = run_range(job, front_at)
    if low < s.soft_low or high > s.soft_high:
        room = (s.soft_low - (low - front_at), s.soft_high - (high - front_at))
        advice = (
            f"Put the front between {job.mm(room[0]):.3f} and {job.mm(room[1]):.3f} mm."
            if room[0] <= room[1]
            else "The rail is too short for this stack."
        )
        raise Refusal(
            f"the run needs {job.mm(low):.3f} to {job.mm(high):.3f} mm (take-up included), the soft limits are "
            f"{job.mm(s.soft_low):.3f} to {job.mm(s.soft_high):.3f} mm. {advice}",
            code="limits",
            key="subject.front_at_mm",
        )
    deepest_um = (high - front_at) / s.microsteps_per_mm * 1000
    if job.clearance_um is not None and deepest_um > job.clearance_um:
        raise Refusal(
            f"the rail would bring the lens {deepest_um / 1000:.3f} mm closer, and only {job.clearance_um / 1000:.3f} "
            "mm are left before keep_clear_mm. Shoot a shallower stack or use more working distance.",
            code="collision",
            key="subject.keep_clear_mm",
        )


def check_travel(job: Job) -> None:
    """Refuse a run on a controller whose steps a millimetre nobody has compared with the rail's.

    Raises
    ------
    Refusal
        With the command that measures.
    """
    if job.link.gcode is not None and job.link.gcode.measured_10_mm is None:
        raise Refusal(
            "nobody has measured how far this rail goes when 10 mm are ordered, or its profile was changed since: if "
            "its steps a millimetre differ, the whole stack would cover another depth. Measure it once: stacker rail "
            "move PROFILE --rail-at-mm MM --by-mm 10 --go; then plan again, since a plan holds its rail's profile.",
            code="travel_unmeasured",
            key="rail.link.measured_10_mm",
        )


def exposure_unseen(job: Job) -> bool:
    """Whether nothing proves an exposure and nobody has seen the camera fire yet."""
    words = job.link.gcode
    return words is not None and job.shutter.via == "rail" and not words.exposure_seen


def remarks(job: Job, frames: int) -> list[str]:
    """What the person should have looked at for so many frames: card, battery, what the plan warned of."""
    said = []
    if job.shutter.via == "command":
        command = one_line(shlex.join(job.shutter.command))
        said.append(f"shutter: for every frame this computer runs the program that the plan names:\n  {command}")
    said += job.warnings
    if job.link.gcode is not None:
        said.append(
            f"stop: this dialect cannot stop a move; Ctrl-C acts up to {job.link.gcode.piece_s:g} s later, and only "
            "the switch in the motor's supply acts at once"
        )
    said += doubts(job.link.gcode)
    if exposure_unseen(job):
        said.append(
            "shutter: nobody has seen the camera fire on these words yet; watch it at the first frame (then write "
            "exposure_seen: true in the profile)"
        )
    if job.shutter.via in ("rts", "dtr"):
        said.append(f"shutter: its port {job.shutter.port} is open now; opening may fire, so plug the camera in now")
    if job.cards is not None:
        card = "an empty one" if frames == job.count else f"room for {frames} frames"
        said.append(f"card: {card}{f'; {job.cards} are needed in all' if job.cards > 1 else ''}")
    if job.batteries is not None:
        said.append(f"battery: a charged one{f'; {job.batteries} are needed in all' if job.batteries > 1 else ''}")
    lines = [line for one in said for line in one.split("\n")]
    return [part for line in lines for part in ([line] if line.startswith("  ") else wrap(line, 79))]  # a command whole


def announcement(job: Job, where: Where, start: Start) -> str:
    """Where the rail is, where position 0 is taken, which way and how far it will go."""
    front_at, frames = start.front_at, start.frames
    stops = [job.positions[job.row(frame)] for frame in frames]
    low, high = extent(stops, direction=job.direction, take_up=job.rail.take_up)
    way = "deeper into the subject" if job.direction > 0 else "out of the subject"
    lines = [
        f"The rail stands at {job.mm(where.position):.3f} mm.",
        *wrap(f"Position 0 (front in focus) is {job.mm(front_at):.3f} mm, {start.where_from}:", 79),
        f"{job.mm(front_at - where.position):+.3f} mm from where it stands.",
        f"From there it goes {way}: {counted(len(frames), 'frame')}",
        f"between {job.mm(front_at + low):.3f} and {job.mm(front_at + high):.3f} mm, take-up included.",
    ]
    return "\n".join([*lines, *remarks(job, len(frames)), *wrap(HANDS, 79)])
