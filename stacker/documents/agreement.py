"""What the numbers of a plan must have in common.

A digest tells that nobody edited a plan by mistake; it is no signature, and whoever writes a plan can write a digest.
So whatever the rail obeys is compared with what the same plan says of it elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.plan import Plan

_ROUNDED_UM = 0.001  # positions are written to a tenth of a nanometre, the microstep to six digits
_RELATIVE = 1e-5  # magnifications are written to six digits


def disagreements(plan: Plan) -> Iterator[tuple[int | None, str, str]]:
    """What does not fit: the row (counted from 0; ``None`` for a value above the table), key and text of each fault.

    Of each kind of fault the first row is told.
    """
    frames, coverage = plan.frames, plan.coverage
    if coverage.frame_count != len(frames):
        text = f"found {coverage.frame_count}, but there are {len(frames)} rows; make the plan again"
        yield None, "coverage.frame_count", text
    order = plan.request.direction
    for row, (here, there) in enumerate(zip(frames.focus_um, frames.focus_um[1:], strict=False), start=1):
        if (there - here) * order <= 0:
            text = f"found {there:g} after {here:g}; with order {plan.request.order} the frames go one way"
            yield row, "frames.focus_um", text
            break
    yield from _panels(plan)
    yield from _rail_against_focus(plan)
    yield from _positions_against_rail(plan)


def _panels(plan: Plan) -> Iterator[tuple[int | None, str, str]]:
    """Panels in order, of frames that there are, at places that mean the millimetres beside them."""
    asked = plan.request.panels
    rails = (None, None) if asked is None else (asked.across_rail, asked.down_rail)
    for number, panel in enumerate(plan.panels.panels if plan.panels else (), start=1):
        key = f"panels.panels[{number}]"
        if panel.panel != number or not panel.first_frame <= panel.last_frame <= len(plan.frames):
            text = f"found frames {panel.first_frame} to {panel.last_frame} of panel {panel.panel}"
            yield None, key, f"{text}; make the plan again"
            return
        places = ((panel.across_mm, panel.across_microsteps), (panel.down_mm, panel.down_microsteps))
        for rail, (mm, microsteps) in zip(rails, places, strict=True):
            wanted = None if rail is None else round(mm * 1000 / rail.microstep_um)
            if microsteps != wanted:
                yield (
                    None,
                    key,
                    f"found {microsteps} for {mm:g} mm, which are {wanted}; make the plan again",
                )
                return


def _rail_against_focus(plan: Plan) -> Iterator[tuple[int | None, str, str]]:
    """The way of the rail follows from the depth: the same with the whole camera, more or less with the sensor alone.

    With ``moves: rear`` rail = f (m_front - m) and depth = f (1/m - 1/m_front), so that rail = depth * m * m_front.
    Behind a flat face the lens sees depths that many times nearer together as its index.
    """
    frames, rear = plan.frames, plan.request.moves == "rear"
    front = plan.optics.magnification
    scales = [front * m for m in frames.magnification] if rear else [1.0] * len(frames)
    for row, (rail_um, focus_um, scale) in enumerate(zip(frames.rail_um, frames.focus_um, scales, strict=True)):
        wanted_um = focus_um * scale / plan.request.subject.index
        if abs(rail_um - wanted_um) > _ROUNDED_UM + _RELATIVE * abs(wanted_um) * rear:
            text = f"found {rail_um:.4f}; focus_um of the same frame asks for {wanted_um:.4f}; make the plan again"
            yield row, "frames.rail_um", text
            return


def _positions_against_rail(plan: Plan) -> Iterator[tuple[int | None, str, str]]:
    """Microsteps are what the rail obeys: they must mean the micrometres beside them, on a rail that is that long."""
    frames, rail = plan.frames, plan.request.rail
    positions = [position for position in frames.position_microsteps if position is not None]
    if rail is None:
        if positions:
            yield None, "request.rail", "missing, but the frames have positions; make the plan again"
        return
    if not positions:
        yield None, "frames.position_microsteps", "null, but the request has a rail; make the plan again"
        return
    microstep_um = rail.microstep_um
    travel_microsteps = rail.travel_mm * 1000 / microstep_um
    for row, (position, rail_um) in enumerate(zip(positions, frames.rail_um, strict=True)):
        # a whole number may be too large for any product
        if abs(position) > travel_microsteps or abs(position * microstep_um - rail_um) > _ROUNDED_UM:
            text = f"found {str(position)[:20]}; rail_um {rail_um:.4f} is {rail_um / microstep_um:.0f} of this rail"
            yield row, "frames.position_microsteps", f"{text}; make the plan again"
            break
    way = max(positions) - min(positions) + (rail.take_up_microsteps if len(positions) > 1 else 0)
    if way > travel_microsteps:
        text = f"the frames need more than the rail's travel_mm ({rail.travel_mm:g}); make the plan again"
        yield None, "frames.position_microsteps", text
    said_um = plan.motion.microstep_um
    if said_um is None or abs(said_um - microstep_um) > _RELATIVE * microstep_um:
        text = f"found {said_um}, but the request's rail makes {microstep_um:g}; make the plan again"
        yield None, "motion.microstep_um", text
