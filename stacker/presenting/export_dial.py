"""A sheet for a hand rail: where the dial must stand for every frame, with a box to tick."""

from __future__ import annotations

from stacker.documents.plan import Plan
from stacker.documents.rail_profile import HandRail
from stacker.errors import Refusal
from stacker.presenting.tables import table, wrapped

GROUP = 10  # frames between two lines for a rest: as many as one counts on fingers


def dial_text(plan: Plan) -> str:
    """The sheet at 80 columns, lines ended by LF.

    Raises
    ------
    Refusal
        When the plan was not made for a rail with a dial.
    """
    rail = plan.request.rail
    if not isinstance(rail, HandRail):
        raise Refusal(
            "a dial sheet needs a hand rail, whose divisions the plan is rounded to; write rail: {travel_mm: ..., "
            "soft_limits_mm: ..., dial: {mm_per_turn: ..., divisions: ...}} in the request and plan again",
            code="no_dial",
            key="rail.dial",
        )
    lines = [*_head(plan, rail), ""]
    rows = _rows(plan, rail)
    body = table(("", "frame", "turn", "division", "by", "by in all", "mm from front", ""), rows)
    lines += body[:1]
    for start in range(0, len(rows), GROUP):
        group = body[1 + start : 1 + start + GROUP]
        last = start + len(group)
        turn, division = rows[last - 1][2:4]
        lines += [*group, f"    ---- {last} taken, {len(rows) - last} to go; dial at turn {turn}, division {division}"]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _rows(plan: Plan, rail: HandRail) -> list[list[str]]:
    """One row a frame: box, frame, turn, division, divisions by and in all, depth, a mark where a turn is completed."""
    rows, total, before = [], 0, 0
    for frame, position, move, focus_um in zip(
        plan.frames.frame,
        plan.frames.position_microsteps,
        plan.frames.move_microsteps,
        plan.frames.focus_um,
        strict=True,
    ):
        assert position is not None  # a plan for a hand rail counts in divisions
        assert move is not None
        turn, division = divmod(position, rail.dial.divisions)
        total += move if frame > 1 else 0
        rows.append(
            [
                "[ ]",
                str(frame),
                str(turn),
                str(division),
                f"{move:+d}",
                f"{total:+d}",
                f"{focus_um / 1000:.3f}",
                "past 0" if frame > 1 and turn != before else "",
            ]
        )
        before = turn
    return rows


def _head(plan: Plan, rail: HandRail) -> list[str]:
    dial, take_up = rail.dial, plan.motion.take_up_microsteps or 0
    first = plan.frames.position_microsteps[0] or 0
    way = plan.request.direction
    sign, deeper = ("+", "deeper into the subject") if way > 0 else ("-", "out of the subject")
    title = f"Dial sheet: {plan.name}, {len(plan.frames)} frames"
    lines = [*wrapped(title), "-" * min(len(title), 80)]
    division_um = plan.motion.microstep_um or 0.0
    facts = [
        f"One turn is {dial.mm_per_turn:g} mm, {dial.divisions} divisions of {division_um:g} um. Plan "
        f"{plan.digest[:12]}.",
        f"1. Bring the front of the subject into focus, turning {sign}, and set the dial to 0: that is turn 0, "
        "division 0. Turning up (+) takes the focus deeper. A negative turn lies before that one; the dial still shows "
        "the division.",
    ]
    if take_up:
        beyond = first - way * take_up
        turn, division = divmod(beyond, dial.divisions)
        facts.append(
            f"2. Backlash: go to turn {turn}, division {division} first ({take_up} divisions beyond frame 1), then "
            f"come to frame 1. From there turn one way only ({sign}, {deeper}); after going too far go back "
            f"{take_up} divisions more than too far, and come again."
        )
    else:
        facts.append(
            f"2. Turn one way only ({sign}, {deeper}). The profile gives no backlash: if the rail has some, write it."
        )
    facts.append(
        "3. Turn, let it settle, take the frame, tick the box. 'By' counts divisions from the frame before (for frame "
        "1 from 0), 'by in all' from frame 1. After {GROUP} frames compare the dial and the camera's counter."
    )
    if (clear := plan.optics.working_distance_mm) is None:
        facts.append("The working distance is unknown: watch the gap between lens and subject while turning.")
    else:
        facts.append(f"Working distance with the front in focus: {clear:.4g} mm. Watch the gap while turning.")
    for fact in facts:
        start = "   " if fact[0].isdigit() else ""
        lines += wrapped(fact, indent=start)
    return lines
