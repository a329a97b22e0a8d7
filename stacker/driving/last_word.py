"""What is true of the rail when a run has ended, and what nobody can know of a controller that only acknowledges."""

from __future__ import annotations

import math

from stacker.documents.gcode_link import GcodeLink
from stacker.driving.job import Job
from stacker.figures import counted
from stacker.rail.address import is_simulated, time_scale
from stacker.rail.controller import Where


def stands(job: Job, where: Where | None, *, lost: bool) -> str:
    """Whether the rail moves, and where it is, as a sentence or two.

    Parameters
    ----------
    job : Job
        The plan.
    where : Where or None
        The controller's word after a stop; None: it gave none.
    lost : bool
        Whether the position is lost.
    """
    if job.link.gcode is not None:
        return _reckoned(job, where, lost=lost, asked=job.link.gcode.position_query is not None)
    if lost:
        text = "The rail is at rest, its position is lost."
    elif where is None:
        return "The controller does not answer; it stops by itself."
    else:
        text = f"The rail is at rest at {job.mm(where.position):.3f} mm."
    return text if where is None or job.hold_after else f"{text} Its motor stays energised, so that nothing drops."


def _reckoned(job: Job, where: Where | None, *, lost: bool, asked: bool) -> str:
    if where is None:
        return (
            "The rail may still be moving, and its position is not known: look at it; the switch in its motor's "
            "supply stops it."
        )
    if lost:
        return (
            "The position is lost. The time of the longest move was waited out, and no other was sent; whether the "
            "rail is at rest nothing here can see: look at it before you touch it."
        )
    if asked:
        return f"The rail is at rest at {job.mm(where.position):.3f} mm, as the controller says."
    return f"By calculation the rail is at rest at {job.mm(where.position):.3f} mm; the controller cannot be asked."


def doubts(words: GcodeLink | None) -> list[str]:
    """What a run with this controller cannot know, for the person before it and for the journal."""
    if words is None:
        return []
    said = []
    if words.measured_10_mm is None:
        said.append("travel: nobody has measured 10 mm of it (measured_10_mm); 'stacker drive' refuses until then")
    if words.position_query is None:
        heard = "" if words.greeting else ", nor its greeting known (greeting)"
        said.append(
            f"position: this controller cannot be asked where it is (position_query){heard}; a reset, a stall or a "
            "slower move may go unnoticed, and frames be taken in the wrong place"
        )
    elif not words.greeting:
        said.append("greeting: it is not known (greeting), so a reset shows only in the position")
    if words.keeps_motor_on is None:
        said.append("motor: whether the controller holds it between moves is not known (keeps_motor_on)")
    elif not words.keeps_motor_on:
        said.append("motor: the controller lets it go after each move, so the rail may slip before the exposure")
    return said


def motor(job: Job) -> str:
    """Whether the motor is energised when a run has ended, as far as that is known."""
    if job.link.gcode is None:
        return f"its motor {'energised' if job.hold_after else 'released'}"
    if job.link.gcode.keeps_motor_on is None:
        return "whether its motor is energised is not known (keeps_motor_on)"
    return f"its motor {'energised' if job.link.gcode.keeps_motor_on else 'released'}, as the profile says"


def taken(job: Job, count: int, spent: str) -> str:
    """What is true of the frames of a run: a controller that only acknowledges hears nothing of the camera."""
    if job.link.gcode is None or job.shutter.via != "rail":
        return f"{counted(count, 'frame')} taken in {spent}"
    triggered = f"{counted(count, 'frame')} triggered in {spent}"
    return f"{triggered}, each acknowledged; the camera was not heard, so count its files"


def whose_time(job: Job) -> str:
    """By whose clock that was: a simulated rail's may run faster than the one on the wall."""
    if not is_simulated(job.link.url):
        return ""
    scale = time_scale(job.link.url)
    if scale == 1:
        return " on the simulated rail"
    fast = "waits for nothing" if math.isinf(scale) else f"runs {scale:g} times as fast as yours"
    return f" on the simulated rail, whose clock {fast}"
