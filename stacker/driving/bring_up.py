"""Single moves for setting a rail up: go somewhere, a small step, find the switch. Nothing here opens the shutter."""

from __future__ import annotations

from stacker.driving.bench import make_ready
from stacker.driving.steps import find_switch
from stacker.errors import Refusal
from stacker.rail.controller import ControllerRefused
from stacker.rail.line import LineController
from stacker.rail.rail import Rail

JOG_MAX_MM = 1.0  # protocol page, section 6: as far as a rail jogs while its position is not known
JOG_MAX_S = 60.0  # at the builder's speed of jogs, which nobody tells the host


def go_to(rail: Rail, position: int) -> int:
    """Move to a position within the soft limits; returns where the rail stands [microsteps].

    Raises
    ------
    Refusal
        When nobody knows where the rail is, or the position is outside the soft limits.
    """
    if not make_ready(rail).known:
        raise Refusal(
            "the rail's position is not known. Move it by at most 1 mm with --by-mm, say where it is with --rail-at-mm,"
            " or seek the switch: stacker rail find.",
            code="position_unknown",
        )
    rail.narrow(rail.settings.soft_low, rail.settings.soft_high)
    rail.move(position)
    return rail.here()


def go_by(rail: Rail, distance: int) -> int:
    """Move by a distance; when the position is not known by 1 mm at most, slowly. Returns the count [microsteps]."""
    where = make_ready(rail)
    if where.known:
        return go_to(rail, where.position + distance)
    if abs(distance) > JOG_MAX_MM * rail.settings.microsteps_per_mm:
        raise Refusal(
            f"found {distance / rail.settings.microsteps_per_mm:g} mm; while the position is not known the rail moves "
            f"by at most {JOG_MAX_MM:g} mm at a time.",
            code="jog_too_far",
        )
    controller = rail.controller
    if not isinstance(controller, LineController):
        raise Refusal("only the line dialect moves a rail whose position is not known.", code="no_jog")
    target = where.position + distance
    controller.bounds = (min(where.position, target), max(where.position, target))
    give_up_s = rail.clock.now() + JOG_MAX_S
    with rail.halting():
        controller.jog(target)
        where = rail.await_rest(give_up_s, give_up_s)
    rail.raise_if_stopped()
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
        edge = find_switch(rail, end)
    except ControllerRefused as refused:
        if refused.reason != "switch":
            raise
        raise Refusal(
            f"{refused} A rail without a {end} switch, or one that stands on the other one, cannot seek it: read its "
            "scale and pass --rail-at-mm instead.",
            code="no_switch",
        ) from refused
    where = rail.controller.where()
    if switch_at is None:
        return where.position, where.known
    rail.controller.declare(switch_at + where.position - edge)
    return switch_at + where.position - edge, True
