"""Lost steps: an rail without a position sensor cannot see them, but a limit switch tells where the carriage truly is.

A normally closed switch whose wire is cut reads hit wherever the carriage stands, and one whose wire is bridged never
does. So a seek is asked for with care here, watched while it runs, and bounded once more in the controller.
"""

from __future__ import annotations

from stacker.driving.job import Job
from stacker.errors import Refusal, RunStopped
from stacker.rail.controller import Where
from stacker.rail.rail import MARGIN_S, Rail
from stacker.rail.stops import PositionLost

# protocol page, section 6: what a controller promises of a seek
OVERTRAVEL_MM, LEAST_SEEK_MM_S, CREEPS = 2.0, 0.25, 8
ASTRAY_MM = OVERTRAVEL_MM + 1.0  # the way back, and what it takes to brake and to be asked


def check_steps(job: Job, rail: Rail) -> str:
    """Look for lost steps at the low switch, where the profile says so; returns what is known about them.

    Raises
    ------
    PositionLost
        When the switch is not where the profile has it, or reads hit where the rail should be free of it.
    """
    switches = rail.controller.switches
    wanted = job.check_steps_after and not rail.stopping
    if not wanted or job.low_switch_at is None or switches is None:
        return "position counted, not measured"
    if switches.reads_hit("low"):
        raise PositionLost(
            "the low switch reads hit although this run ended elsewhere: its wire is cut, or many steps were lost. "
            "The check for lost steps was not made. Look at switch, plug and wire; frames may lie at wrong depths.",
            code="switch_hit",
        )
    found = find_switch(rail, "low", job.low_switch_at)
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


def find_switch(rail: Rail, end: str, switch_at: int | None = None) -> int:
    """Seek a limit switch and return where it cleared, by the present count [microsteps].

    Parameters
    ----------
    rail : Rail
        Connected, allowed to move.
    end : str
        ``low`` or ``high``.
    switch_at : int or None
        Where it clears, if that is known [microsteps].

    Raises
    ------
    Refusal
        Before anything moves: no word for it, or the switch reads hit and the rail does not stand there for certain.
    PositionLost
        When the controller came to a bound of the seek.
    RunStopped
        When it ended early, ran the wrong way or too far.
    """
    switches = rail.controller.switches
    if switches is None:
        raise Refusal("only the line dialect can seek a switch.", code="no_seek")
    check_seek(rail, end, switch_at)
    start = rail.controller.where()
    rail.forget()
    give_up_s = rail.clock.now() + longest_seek_s(rail)
    with rail.halting():
        switches.seek(end)
        where = rail.await_rest(give_up_s, give_up_s, lambda where: _raise_if_astray(rail, start, where, end))
    rail.raise_if_stopped()
    if where.ended == "missed":
        raise PositionLost(
            f"the {end} switch did not answer within its bounds: it never opened, or never closed again (a wire that "
            "is cut or bridged?). The position is lost. Look at rail, switch and wire.",
            code="missed",
        )
    if where.ended != "found":
        raise RunStopped(f"seeking the {end} switch ended early ({where.ended}).", code=where.ended)
    return switches.edge()


def check_seek(rail: Rail, end: str, switch_at: int | None) -> None:
    """Refuse to seek a switch that reads hit where the rail does not stand for certain: nothing moves.

    Raises
    ------
    Refusal
        For that.
    """
    switches = rail.controller.switches
    if switches is None or not switches.reads_hit(end):
        return
    if not _stands_there(rail, rail.controller.where(), end, switch_at):
        away = "+1" if end == "low" else "-1"
        raise Refusal(
            f"the {end} switch reads hit, and the rail does not stand there for certain: a cut wire or a pulled plug "
            "reads the same, and leaving that switch could go anywhere. Nothing moved. Look at it; a carriage that "
            f"does stand on its switch is moved off it slowly with 'stacker rail move', {away} mm.",
            code="switch_hit",
        )


def longest_seek_s(rail: Rail) -> float:
    """How long a seek may take: over the whole rail at the least speed, and twice over the overtravel, creeping [s]."""
    travel_mm = rail.settings.travel / rail.settings.microsteps_per_mm
    return (travel_mm + 2 * CREEPS * OVERTRAVEL_MM) / LEAST_SEEK_MM_S + MARGIN_S


def _stands_there(rail: Rail, where: Where, end: str, switch_at: int | None) -> bool:
    """Whether the count says that the carriage stands on that switch, which lies outside the soft limits."""
    settings = rail.settings
    if switch_at is None:
        switch_at = settings.soft_low if end == "low" else settings.soft_high
    else:
        switch_at += settings.microsteps(OVERTRAVEL_MM) * (1 if end == "low" else -1)
    return where.known and (where.position <= switch_at if end == "low" else where.position >= switch_at)


def _raise_if_astray(rail: Rail, start: Where, where: Where, end: str) -> None:
    """Stop a seek that goes where none should, whatever its controller thinks."""
    per_mm = rail.settings.microsteps_per_mm
    gone = (where.position - start.position) * (-1 if end == "low" else 1)
    if gone > rail.settings.travel:
        raise RunStopped(
            f"the {end} switch was sought over {gone / per_mm:.1f} mm, farther than the rail is long (travel_mm): a "
            "stop was sent. Look at the switch; the carriage may stand at its hard stop.",
            code="seek_too_far",
        )
    if -gone > ASTRAY_MM * per_mm:
        raise RunStopped(
            f"the rail went {-gone / per_mm:.1f} mm away from the {end} switch that it should seek: a stop was sent. "
            "Look at that switch and its wire.",
            code="seek_wrong_way",
        )
