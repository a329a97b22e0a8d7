"""Lost steps: an open-loop rail cannot see them, but a limit switch tells where the carriage truly is."""

from __future__ import annotations

from stacker.driving.job import Job
from stacker.errors import Refusal, RunStopped
from stacker.rail.line import LineController
from stacker.rail.rail import PositionLost, Rail

SEEK_MAX_S = 600.0


def check_steps(job: Job, rail: Rail) -> str:
    """Look for lost steps at the low switch, where the profile says so; returns what is known about them.

    Raises
    ------
    PositionLost
        When the switch is not where the profile has it.
    """
    controller = rail.controller
    wanted = job.check_steps_after and not rail.stopping
    if not wanted or job.low_switch_at is None or not isinstance(controller, LineController):
        return "position counted, not measured"
    found = find_switch(rail, "low")
    lost = found - job.low_switch_at
    # a motor that slips does so by whole electrical cycles, four full steps; a switch repeats to a part of one
    allowed = max(2, job.rail.microsteps_per_turn // 200)
    if abs(lost) > allowed:
        raise PositionLost(
            f"the low switch was found {lost:+d} microsteps ({job.mm(lost) * 1000:+.1f} um) from where the profile has "
            "it: steps were lost during this run. Look for a stall; frames may lie at wrong depths.",
            code="steps_lost",
        )
    return f"no step lost: the low switch was found within {abs(lost)} microsteps"


def find_switch(rail: Rail, end: str) -> int:
    """Seek a limit switch and return where it cleared, by the present count [microsteps]."""
    controller = rail.controller
    if not isinstance(controller, LineController):
        raise Refusal("only the line dialect can seek a switch.", code="no_seek")
    rail.forget()
    give_up_s = rail.clock.now() + SEEK_MAX_S
    with rail.halting():
        controller.seek(end)
        where = rail.await_rest(give_up_s, give_up_s)
    rail.raise_if_stopped()
    if where.ended != "found":
        raise RunStopped(f"seeking the {end} switch ended early ({where.ended}).", code=where.ended)
    return controller.edge()
