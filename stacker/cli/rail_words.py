"""What ``stacker rail`` asks and tells of controllers of RS274/NGC words: how far 10 mm go, what their answers mean."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.numbers import FINITE
from stacker.errors import Refusal
from stacker.figures import as_typed, at_port, typed_mm

if TYPE_CHECKING:
    from stacker.documents.rail_profile import RailProfile
    from stacker.rail.rail import Rail

ORDERED_MM = 10.0


def ask_how_far(path: Path, profile: RailProfile, by_mm: float | None) -> str | None:
    """After an ordered move of 10 mm: ask how far the rail went, and keep the answer in its profile.

    Returns
    -------
    str or None
        What to do next; None where nothing was asked.

    Raises
    ------
    Refusal
        When it went so far off that the controller's steps a millimetre cannot be the profile's; nothing is kept.
    """
    from stacker.cli.edited import write_values
    from stacker.documents.gcode_link import MEASURED_MM, GcodeLink
    from stacker.documents.loading import load_rail

    if not isinstance(profile.link, GcodeLink) or by_mm is None or abs(by_mm) != ORDERED_MM:
        return None
    try:
        told = click.prompt("How far did it go, in mm (measured; 0: not measured)", type=FINITE, err=True)
    except click.Abort:
        told = 0.0
    if not told:
        return "measure it before the first run: until then 'stacker drive' refuses this profile"
    low_mm, high_mm = MEASURED_MM
    if not low_mm <= told <= high_mm:
        raise Refusal(
            f"{ORDERED_MM:g} mm were ordered and it went {told:g} mm: multiply the controller's steps a millimetre by "
            f"{ORDERED_MM / told if told > 0 else 0:.4g}, or correct lead_mm and the steps of the profile, whichever "
            "is wrong; then measure again. Nothing was kept.",
            code="travel_differs",
            key="rail.link.measured_10_mm",
        )
    write_values(path, {"link.measured_10_mm": told, "link.measured_with": profile.travel_mark}, load_rail)
    return f"stacker plan REQUEST (the answer is kept in {path}, and a plan holds its rail's profile)"


def try_answers(rail: Rail, path: Path, *, go: bool, write: bool) -> tuple[dict[str, Any], str]:
    """Time the answers; with `go` on a move of a millimetre away from the subject and back.

    Returns
    -------
    dict, str
        For ``--json``; for people.
    """
    from stacker.cli.edited import write_values
    from stacker.documents.loading import load_rail
    from stacker.motion.move_time import PIECE_S
    from stacker.rail.gcode_moves import GcodeMoves
    from stacker.rail.gcode_trial import answer_s, try_moves

    controller, s = rail.controller, rail.settings
    assert isinstance(controller, GcodeMoves)
    said = controller.lines.at_opening
    opening = f"At opening it said: {', '.join(map(repr, said))}." if said else "At opening it said nothing."
    if said and not controller.words.greeting:
        opening += " If that is how it greets whenever it starts, write its beginning under greeting."
    if not go:
        took_s = answer_s(controller)
        text = f"{opening} Its acknowledgements take {took_s * 1000:.0f} ms (answer_s: {typed_mm(round(took_s, 3))})."
        return {"answer_s": took_s, "at_opening": said}, fill(text, 80)
    way = min(s.microsteps(1.0), s.longest_way(PIECE_S))
    found = try_moves(controller, -way, speed=s.speed, acceleration=s.acceleration)
    values: dict[str, Any] = {
        "link.arrival": "dwell" if found.dwell_waits else "margin",
        "link.answer_s": round(found.answer_s, 3),
        "link.move_extra_s": round(found.move_extra_s, 3) if found.dwell_waits else None,
    }
    values = {key: value for key, value in values.items() if value is not None}
    if write:
        write_values(path, values, load_rail)
    text = opening + " " + _told(found.query_tells, controller.words.position_query, waits=found.dwell_waits)
    lines = [f"  {key.removeprefix('link.')}: {value}" for key, value in values.items()]
    head = "Written under link:" if write else "Lines for link: in the profile (--write writes them):"
    result = {"answer_s": found.answer_s, "dwell_waits": found.dwell_waits, "query_tells": found.query_tells}
    return result, "\n".join([fill(text, 80), head, *lines])


def _told(tells: str | None, query: str | None, *, waits: bool) -> str:
    text = (
        "'G4 P0' is acknowledged when the move has ended, so it proves the arrival."
        if waits
        else "'G4 P0' is acknowledged before the move has ended: the margin stays."
    )
    if tells == "target":
        text += f" '{query}' reports the target while the rail is still on its way: it proves no arrival."
    elif tells == "place":
        text += f" '{query}' reports the true place on the way, so it proves the arrival too."
    return text


def next_step(path: Path, url: str | None, *, measured: bool, tried: bool) -> str:
    """The command that follows upon `identify`; of those that this dialect does not refuse."""
    if not tried:
        return f"stacker rail identify {as_typed(path)}{at_port(url)} --go (moves 1 mm away from the subject and back)"
    if not measured:
        return (
            f"read the rail's scale; stacker rail move {as_typed(path)}{at_port(url)} --rail-at-mm MM --by-mm 10 --go"
        )
    return f"stacker drive PLAN{at_port(url)}"
