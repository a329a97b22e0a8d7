"""What a person is to turn for one frame, in the words of the dial."""

from __future__ import annotations

from stacker.documents.journal_values import CLOSING
from stacker.driving.hand_job import HandJob
from stacker.driving.turner import Turn
from stacker.figures import clock


def dial_place(position: int, divisions: int) -> str:
    """Where a dial stands: whole turns from the front, and the division that it shows."""
    turn, division = divmod(position, divisions)
    return f"turn {turn}, division {division}"


def turn_text(job: HandJob, turn: Turn) -> str:
    """One or two lines: which frame, and how far to turn."""
    name = "closing frame" if turn.frame == CLOSING else f"frame {turn.frame} of {job.count}"
    left = "" if job.frame_s is None else f", about {clock(turn.left * job.frame_s)} left"
    sign = "+" if job.direction > 0 else "-"
    to = dial_place(turn.to, job.divisions)
    if turn.by is not None:
        return f"{name}{left}: turn {turn.by:+d}, to {to}"
    if turn.beyond == turn.to:
        return f"{name}{left}: turn to {to}, ending {sign}"
    back = f"first {'back' if job.direction > 0 else 'up'} to {dial_place(turn.beyond, job.divisions)} or past it"
    return f"{name}{left}: {back},\n  then {sign} to {to}"
