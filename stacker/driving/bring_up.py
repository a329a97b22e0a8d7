"""Single moves for setting a rail up: go somewhere, a small step, find the switch. Nothing here opens the shutter."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.driving.bench import make_ready
from stacker.driving.steps import find_switch
from stacker.errors import Refusal
from stacker.rail.controller import ControllerRefused, Where
from stacker.rail.rail import Rail
from stacker.rail.stops import PositionLost

JOG_MAX_MM = 1.0  # protocol page, section 6: as far as a rail jogs while its position is not known
JOG_MAX_S = 60.0  # at the builder's speed of jogs, which nobody tells the host


@dataclass(frozen=True, kw_only=True, slots=True)
class Errand:
    """One move, looked at before it is made.

    Parameters
    ----------
    start : Where
        Where the rail stands.
    target : int
        Where it goes [microsteps].
    slow : bool
        A jog of at most 1 mm: the only move while the position is not known or a limit switch reads hit.
    """

    start: Where
    target: int
    slow: bool = False


def to(rail: Rail, position: int) -> Errand:
    """A move to a position within the soft limits.

    Raises
    ------
    Refusal
        When nobody knows where the rail is, or the position is outside the soft limits.
    """
    start = make_ready(rail)
    if not start.known:
        raise Refusal(
            "the rail's position is not known. Move it by at most 1 mm with --by-mm, say where it is with --rail-at-mm,"
            " or seek the switch: stacker rail find.",
            code="position_unknown",
        )
    rail.narrow(rail.settings.soft_low, rail.settings.soft_high)
    rail.check(position)
    return Errand(start=start, target=position)


def by(rail: Rail, distance: int) -> Errand:
    """A move by a distance; while the position is not known or a switch reads hit by 1 mm at most, slowly."""
    start = make_ready(rail)
    if start.known and not on_a_switch(rail):
        return to(rail, start.position + distance)
    if abs(distance) > JOG_MAX_MM * rail.settings.microsteps_per_mm:
        why = "a limit switch reads hit" if start.known else "the position is not known"
        raise Refusal(
            f"found {distance / rail.settings.microsteps_per_mm:g} mm; while {why} the rail moves "
            f"by at most {JOG_MAX_MM:g} mm at a time.",
            code="jog_too_far",
        )
    if rail.controller.jogs is None:
        raise Refusal("only the line dialect moves a rail whose position is not known.", code="no_jog")
    return Errand(start=start, target=start.position + distance, slow=True)


def go(rail: Rail, errand: Errand) -> int:
    """Make a move; returns where the rail stands [microsteps]."""
    if errand.slow:
        return creep(rail, errand.target)
    rail.move(errand.target)
    return rail.here()


def go_to(rail: Rail, position: int) -> int:
    """Move to a position within the soft limits; returns where the rail stands [microsteps]."""
    return go(rail, to(rail, position))


def go_by(rail: Rail, distance: int) -> int:
    """Move by a distance, see `by`; returns the count [microsteps]."""
    return go(rail, by(rail, distance))


def on_a_switch(rail: Rail) -> bool:
    """Whether a limit switch reads hit; where nobody can say, none does."""
    switches = rail.controller.switches
    return switches is not None and (switches.reads_hit("low") or switches.reads_hit("high"))


def creep(rail: Rail, target: int) -> int:
    """Jog there, 1 mm at most, also off a switch that lies outside the soft limits; returns the count [microsteps].

    The controller's limits are void afterwards.
    """
    controller, jogs = rail.controller, rail.controller.jogs
    assert jogs is not None
    where = controller.where()
    if where.known:
        controller.declare(where.position)  # by the name it has: that voids the limits, and toward a switch none leads
    controller.bounds = (min(where.position, target), max(where.position, target))
    rail.forget()
    give_up_s = rail.clock.now() + JOG_MAX_S
    with rail.halting():
        jogs.jog(target)
        where = rail.await_rest(give_up_s, give_up_s)
    rail.raise_if_stopped()
    if where.position != target:
        raise PositionLost(f"the rail stopped before {target} microsteps ({where.ended}).", code=where.ended)
    return where.position


def find(rail: Rail, end: str, switch_at: int | None) -> tuple[int, bool]:
    """Seek a limit switch; where the profile says where it clears, name the place by it.

    Returns
    -------
    int, bool
        Where the rail stands [microsteps], and whether that is known now.
    """
    make_ready(rail)
    try:
        edge = find_switch(rail, end, switch_at)
    except ControllerRefused as refused:
        if refused.reason != "switch":
            raise
        raise Refusal(
            f"{refused} A rail without a {end} switch, or one that stands on its other switch, cannot seek it: read "
            "its "
            "scale and pass --rail-at-mm instead.",
            code="no_switch",
        ) from refused
    where = rail.controller.where()
    if switch_at is None:
        return where.position, where.known
    rail.controller.declare(switch_at + where.position - edge)
    return switch_at + where.position - edge, True
