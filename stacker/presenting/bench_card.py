"""The bench card: the short summary of a plan that a person takes along."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from stacker.documents.plan import Plan
from stacker.documents.rail_profile import HandRail, RailProfile, gap_causes
from stacker.documents.subject import Gap
from stacker.documents.words import HANDS
from stacker.figures import chance, shutter_time, significant
from stacker.presenting.effects_table import MEASURED
from stacker.presenting.panel_map import hand_moves, map_lines, panel_lines, panels_fact
from stacker.presenting.tables import WIDTH, duration, f_number, wrapped

_SMALL_UM = 100.0  # under a tenth of a millimetre depths are told in um
_SHOWN_OTHERWISE = 1.1
_LABEL = 18  # columns of the words on the left

_CHECKS = (
    "stabiliser off, in lens and camera",
    "eyepiece covered",
    "cables clamped so that none pulls, nothing in the way of the rail",
)
_LEAST_DEPTH = "subject tilted so that the depth is least"
_SQUARE = "target square before the lens: a mirror in its place shows the lens in the middle of the picture"


def bench_card(plan: Plan) -> list[str]:
    """The card as lines of at most 80 columns.

    Parameters
    ----------
    plan : Plan
        As planned or read from its file.
    """
    title = f"{plan.name}: {frames_of(plan)}"
    lines = [*wrapped(title), "-" * min(len(title), WIDTH)]
    for label, text in facts(plan):
        lines += wrapped(text, first=label.ljust(_LABEL), indent=" " * _LABEL)
    if plan.panels is not None:
        lines += ["", *map_lines(plan.panels), *panel_lines(plan.panels)]
    for title, items in (
        ("Warnings", [f"{warning.text} ({warning.code})" for warning in plan.warnings]),
        ("Suggestions", [advice.text for advice in plan.advice]),
        ("Before the first frame", [f"[ ] {check}" for check in checks(plan)]),
    ):
        if items:
            lines += ["", f"{title}:"]
            for item in items:
                start = "  " if item.startswith("[ ]") else "  - "
                lines += wrapped(item, first=start, indent="      " if item.startswith("[ ]") else "    ")
    return lines


def frames_of(plan: Plan) -> str:
    """How many frames, and in how many panels."""
    if plan.panels is None:
        return f"{plan.coverage.frame_count} frames"
    return f"{plan.panels.exposures} frames in {_count(len(plan.panels.panels), 'panel', 'panels')}"


def facts(plan: Plan) -> Iterator[tuple[str, str]]:
    """The lines of the card: a word and what is to be said about it."""
    optics, coverage, depth = plan.optics, plan.coverage, plan.depth_of_field
    estimated = any(guess.key == "magnification" for guess in plan.assumed)
    width, height = optics.field_mm
    yield (
        "picture",
        f"{significant(optics.magnification)}x ({'estimated' if estimated else 'measured'}), "
        f"field {significant(width)} x {significant(height)} mm",
    )
    marked = f"{f_number(optics.f_number)} marked, " if optics.f_number is not None else ""
    lost = f", {optics.light_loss_stops:.1f} stops lost" if optics.light_loss_stops is not None else ""
    yield "aperture", f"{marked}{f_number(optics.effective_f_number)} effective{lost}, NA {optics.object_na:.3g}"
    limit = optics.diffraction_f_number
    shows = f"; diffraction shows past {f_number(limit)} marked" if limit is not None else ""
    yield "detail", f"{significant(optics.finest_detail_um)} um on the subject{shows}"
    yield "slice", f"{significant(depth.total_um)} um sharp by the model {depth.model}{_seam(plan)}"
    if measured := _lens(plan):
        yield "lens", measured
    yield "steps", _steps(plan)
    if gaps := plan.request.subject.gaps:
        yield "gaps", _gaps(gaps, coverage.frames_saved)
    if plan.panels is not None:
        yield "panels", panels_fact(plan, plan.panels)
    yield "tilt", _tilt(plan)
    yield "rail", _rail(plan)
    yield "working distance", _working_distance(plan)
    yield "light", _light(plan)
    yield "time", _time(plan)
    yield "storage", _storage(plan)
    rail, risk = plan.request.rail, coverage.gap_risk
    if rail is not None:
        unknown = risk is None and rail.repeatability_um is None
        source = "how well the rail repeats is not known" if unknown else f"from {gap_causes(rail)}"
        yield "gap risk", f"unknown: {source}" if unknown else f"{chance(risk)} for the whole stack, {source}"


def _seam(plan: Plan) -> str:
    seam = plan.coverage.seam_contrast
    return "" if seam is None else f"; the softest seam keeps {seam:.0%} of the contrast"


def _sure(plan: Plan) -> list[tuple[str, float, float]]:
    """Measured values of the rig with their margins."""
    return [one for one in plan.request.measured if one[0].startswith("rig.")]


def _margin(plan: Plan, key: str) -> str:
    return next((f" +/- {margin:g}" for known, _, margin in plan.request.measured if known == key), "")


def _lens(plan: Plan) -> str:
    """What was measured of the lens itself."""
    focus = plan.request.focus
    said = [f"{MEASURED[key]} {value:g} +/- {margin:g}, measured" for key, value, margin in _sure(plan)]
    if focus.lens_mtf50_lp_mm is not None:
        sure = _margin(plan, "focus.lens_mtf50_lp_mm")
        said.append(f"contrast 0.5 at {significant(focus.lens_mtf50_lp_mm)}{sure} line pairs a mm, measured")
    if focus.field_curvature_um:
        where = "deeper" if focus.field_curvature_um > 0 else "nearer"
        bend = f"{significant(abs(focus.field_curvature_um))}{_margin(plan, 'focus.field_curvature_um')}"
        said.append(
            f"the corners are in focus {bend} um {where} than the centre, measured, and the stack is longer for it"
        )
    return "; ".join(said)


def _steps(plan: Plan) -> str:
    coverage, motion = plan.coverage, plan.motion
    first_um, last_um = coverage.first_focus_um, coverage.last_focus_um
    if coverage.step_um is None or coverage.overlap is None:
        return f"one frame at {_depths(first_um)}"
    span = f"from {_depths(first_um, last_um, step_um=coverage.step_um)} (0 is the front)"
    hand = isinstance(plan.request.rail, HandRail)
    counted = f" = {motion.step_microsteps} {'divisions' if hand else 'microsteps'}" if motion.step_microsteps else ""
    kept = f"{coverage.overlap:.0%} overlap at least; {span}"
    behind_face = plan.request.subject.index != 1
    if plan.request.moves != "rear" and not behind_face:
        return f"{significant(coverage.step_um, 4)} um at most{counted}, {kept}"
    true_depths = "; depths are true depths behind the face" if behind_face else ""
    return (
        f"the rail {significant(rail_step_um(plan), 4)} um at most{counted}, and with it the focus "
        f"{significant(coverage.step_um, 4)} um; {kept}{true_depths}"
    )


def _gaps(gaps: tuple[Gap, ...], frames_saved: int) -> str:
    where = ", ".join(f"{gap.from_mm:g} to {gap.to_mm:g}" for gap in gaps)
    return f"nothing need be sharp from {where} mm: {_count(frames_saved, 'frame', 'frames')} fewer"


def rail_step_um(plan: Plan) -> float:
    """Largest step of the rail [um]: the focus goes farther behind a flat face, and less far with a moving rear."""
    steps = zip(pairwise(plan.frames.rail_um), plan.frames.overlap[1:], strict=True)
    return max((abs(there - here) for (here, there), overlap in steps if overlap is not None), default=0.0)


def _depths(*depths_um: float, step_um: float | None = None) -> str:
    """Depths in the unit that fits them, with the decimals that tell a tenth of a step."""
    small = max(map(abs, depths_um)) < _SMALL_UM
    step = (step_um or depths_um[0] or 1.0) / (1 if small else 1000)
    decimals = max(1 if small else 3, math.ceil(-math.log10(abs(step) / 10)))
    texts = [f"{round(depth_um / (1 if small else 1000), decimals) + 0.0:.{decimals}f}" for depth_um in depths_um]
    return f"{' to '.join(texts)} {'um' if small else 'mm'}"


def _length(length_um: float, digits: int) -> str:
    """A length in the unit that fits it."""
    small = length_um < _SMALL_UM
    return f"{significant(length_um if small else length_um / 1000, digits)} {'um' if small else 'mm'}"


def _tilt(plan: Plan) -> str:
    """What a subject that does not stand square to the lens costs; 1 degree is what an eye overlooks."""
    added_um = plan.optics.field_mm[0] * 1000 * math.tan(math.radians(1))
    text = f"1 degree across the width adds {_length(added_um, 2)} of depth"
    slices = significant(added_um / plan.depth_of_field.total_um, 2)
    text += f", {slices} slice{'' if slices == '1' else 's'}"
    step_um = plan.coverage.step_um
    return text if step_um is None else f"{text}, {_count(math.ceil(added_um / step_um), 'frame', 'frames')}"


def _rail(plan: Plan) -> str:
    rail, motion = plan.request.rail, plan.motion
    carries = {"camera": "the camera", "subject": "the subject", "rear": "the rear standard"}[plan.request.moves]
    if rail is None:
        return f"none described: moves {carries} {_length(motion.travel_mm * 1000, 4)}, steps in um, time unknown"
    front = plan.request.subject.front_at_mm
    where = "front not yet placed: limits are checked when the run starts"
    if isinstance(rail, HandRail):  # no run starts
        low_mm, high_mm = rail.soft_limits_mm
        where = f"front not yet placed: see yourself that all stops lie within {low_mm:g} to {high_mm:g} mm"
    if front is not None:
        where = f"front at {front:g} mm"
    take_up = f", take-up {motion.take_up_microsteps} {'divisions' if isinstance(rail, HandRail) else 'microsteps'}"
    return f"{rail.name} moves {carries} {_length(motion.travel_mm * 1000, 4)}{take_up}; {where}"


def _working_distance(plan: Plan) -> str:
    distance = plan.optics.working_distance_mm
    if distance is None:
        return "unknown: measure it before anything moves"
    subject = "the subject" if plan.request.subject.index == 1 else "the face before the subject"
    left = distance if plan.request.moves == "rear" else distance - max(plan.frames.rail_um) / 1000
    return (
        f"{significant(distance)} mm from the rim to {subject}, {significant(left)} mm left at the "
        f"deepest frame (to keep clear: {plan.request.subject.keep_clear_mm:g} mm)"
    )


def _light(plan: Plan) -> str:
    light, exposures = plan.request.light, plan.frames.exposure_s
    if light is None:
        return "not described"
    shortest, longest = (end(time for time in exposures if time is not None) for end in (min, max))
    times = (
        shutter_time(longest) if longest - shortest < 1e-9 else f"{shutter_time(shortest)} to {shutter_time(longest)}"
    )
    recycling = f", {light.recycle_s:g} s recycling" if light.recycle_s else ""
    rest = f", {light.rest_s:g} s of rest after every {light.rest_after} frames" if light.rest_after else ""
    stops = ", ".join(f"{stop:+g}" if stop else "0" for stop in light.bracket_stops)
    by = (
        f"{light.bracket_gap_s:g} s apart, fired by the rail"
        if light.bracket_gap_s
        else f"in {light.bracket_s or 0:g} s"
    )
    bracket = f", bracketed {stops} stops {by}" if stops else ""
    return f"{light.kind}, {times}{bracket}{recycling}{rest}"


def _time(plan: Plan) -> str:
    budget = plan.budget
    if budget.duration_s is None or budget.frame_s is None:
        rail = plan.request.rail
        if rail is None or not rail.by_hand:
            return "unknown"
        return f"unknown: give {'rail' if isinstance(rail, HandRail) else 'rail.shutter'}.frame_s"
    cells = "" if budget.batteries is None else f", {_count(budget.batteries, 'battery', 'batteries')}"
    by_hand = ", moves by hand from panel to panel not counted" if plan.panels is not None and hand_moves(plan) else ""
    return f"{duration(budget.duration_s)}, {significant(budget.frame_s)} s a frame{cells}{by_hand}"


def _storage(plan: Plan) -> str:
    budget = plan.budget
    raw = "" if budget.raw_gb is None else f"{significant(budget.raw_gb)} GB raw"
    cards = "" if budget.cards is None else f" on {_count(budget.cards, 'card', 'cards')}"
    return f"{raw}{cards}{', ' if raw else ''}{significant(budget.working_gb)} GB to work in"


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def checks(plan: Plan) -> tuple[str, ...]:
    """What to look after before the first frame."""
    hands = (HANDS,) if isinstance(plan.request.rail, RailProfile) else ()
    placed = (_SQUARE,) if plan.request.purpose == "target" else (_LEAST_DEPTH, *_loose(plan))
    return (*_exposed(plan), *_CHECKS, *placed, *hands)


def _exposed(plan: Plan) -> Iterator[str]:
    """What keeps every frame as bright as the first."""
    light, optics = plan.request.light, plan.optics
    lamps = light is not None and light.kind == "continuous"
    yield f"focus, exposure{' and white balance' if lamps else ', white balance and flash power'} on manual"
    yield "camera set not to fall asleep" if lamps else "camera and flash set not to fall asleep"
    if lamps:
        yield "lamps warm and steady, daylight shut out"
    marked = optics.f_number
    if marked is not None and optics.effective_f_number > marked * _SHOWN_OTHERWISE:
        yield (
            f"{f_number(marked)} set with the lens at infinity: close up some cameras show the effective f-number, "
            f"{f_number(optics.effective_f_number)} here"
        )


def _loose(plan: Plan) -> Iterator[str]:
    loss = plan.coverage.edge_loss
    if loss is None:
        yield "framed loosely: how much the edges lose is not known here"
    elif loss > 0.0005:
        yield f"framed loosely: scaling the frames alike costs {loss:.1%} of the width"
