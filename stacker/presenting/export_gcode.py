"""A plan as a program in RS274/NGC words, for a machine that is not driven from here.

References
----------
T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter, Version 3, NISTIR 6556, 2000: G4 in seconds
(3.5.4), F in units a minute under G94 (3.5.19), coolant outputs M8 and M9 (3.6.4), comments (3.3.4), M2 (3.6.1). On one
line an output acts before a dwell and a dwell before a move (3.8, Table 8), so each stands on a line of its own.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import replace

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.pace import pace_of
from stacker.documents.plan import Plan
from stacker.documents.rail_profile import RailProfile
from stacker.errors import Refusal
from stacker.motion.frame_clock import FrameClock, move_times_s
from stacker.motion.take_up import extent, stops
from stacker.presenting.gcode_style import GcodeStyle
from stacker.presenting.tables import duration

_COMMENT_WIDTH = 76


def gcode_text(plan: Plan, *, milliseconds: bool = False, plain: bool = False) -> str:
    """The program, lines ended by LF.

    Parameters
    ----------
    plan : Plan
        With a motor rail and a light.
    milliseconds, plain : bool
        As `GcodeStyle`; the words of the contact are those of the profile.

    Raises
    ------
    Refusal
        When the plan has no motor rail, or no light: then speed, settling or exposure are not known.
    """
    profile, light = plan.request.rail, plan.request.light
    if not isinstance(profile, RailProfile):
        raise Refusal(
            "a program needs the speed and settling time of a motor rail; write rail: in the request and plan again",
            code="no_motor_rail",
            key="rail",
        )
    if light is None:
        raise Refusal(
            "a program must wait for the exposure, and it is not known; write light: in the request and plan again",
            code="no_light",
            key="light",
        )
    if light.bracket_gap_s is not None:
        raise Refusal(
            "a program would have to fire every exposure of the bracket by itself, and this one opens the shutter once "
            "a frame; let the camera take the bracket (light.bracket_s) or leave it out",
            code="bracket",
            key="light.bracket_gap_s",
        )
    positions = [position for position in plan.frames.position_microsteps if position is not None]
    direction = plan.request.direction
    low, high = extent(positions, direction=direction, take_up=plan.motion.take_up_microsteps or 0)
    way = "deeper into the subject" if direction > 0 else "out of the subject"
    body, seconds = _frames(plan, profile)
    style = GcodeStyle(milliseconds=milliseconds, plain=plain, **_contact_words(profile))
    head = [
        f"plan {plan.name}, {len(positions)} frames, {duration(seconds)}",
        f"digest {plan.digest}",
        *style.about_dwells,
        "set X zero with the front of the subject in focus, reached the way the frames go; positive X takes the focus "
        "deeper",
        f"X stays within {_mm(plan, low)} to {_mm(plan, high)}; the frames go {way}",
        f"{style.close_contact} closes the shutter contact, {style.open_contact} opens it",
        "nothing here checks a limit: try it without the subject, with a hand on the emergency stop",
    ]
    lines = [comment for text in head for comment in _comments(text)]
    lines += ["G21", "G90", "G94", "M9", f"F{_number(profile.speed_mm_s * 60)}", *body, "M9", "M2"]
    return "".join(f"{text}\n" for line in lines if (text := style.line(line)) is not None)


def _contact_words(profile: RailProfile) -> dict[str, str]:
    if not isinstance(profile.link, GcodeLink):
        return {}
    return {"close_contact": profile.link.close_contact, "open_contact": profile.link.open_contact}


def _frames(plan: Plan, profile: RailProfile) -> tuple[list[str], float]:
    """The lines of all frames, and how long they take [s]."""
    frames, shutter, light = plan.frames, profile.shutter, plan.request.light
    pace = pace_of(profile, plan.request.camera, light)
    # The program closes the contact itself, whatever does it in a run, and moves in one go.
    pace = replace(pace, contact_s=shutter.pulse_s, focus_s=0.0, held=True)
    clock, now_s = FrameClock(pace), 0.0
    positions, take_up = [position or 0 for position in frames.position_microsteps], plan.motion.take_up_microsteps or 0
    direction, move_s = plan.request.direction, replace(profile, link=None).mover()
    moves_s = move_times_s(positions, direction=direction, take_up=take_up, move_s=move_s, wire=pace.wire)
    lines: list[str] = []
    for row, legs in enumerate(stops(positions, direction=direction, take_up=take_up)):
        number, focus_um, metered_s = frames.frame[row], frames.focus_um[row], frames.exposure_s[row] or 0.0
        exposure_s = light.open_s(metered_s) if light else metered_s
        arrived_s = now_s + moves_s[row]
        wait_s, closed_s = _up(clock.due_s(arrived_s, exposure_s) - arrived_s), _up(pace.closed_s(exposure_s))
        rest_s = _up(clock.fired(arrived_s + wait_s, exposure_s) - arrived_s - wait_s - closed_s)
        lines += _comments(f"frame {number} of {len(frames)}, focus {focus_um / 1000:.4f} mm from the front")
        lines += [f"G1 X{_mm(plan, stop)}" for stop in legs]
        lines += [f"G4 P{_number(wait_s)}", "M8", f"G4 P{_number(closed_s)}", "M9"]
        if rest_s > 0:
            lines.append(f"G4 P{_number(rest_s)}")
        now_s = arrived_s + wait_s + closed_s + max(0.0, rest_s)
    return lines, now_s


def _mm(plan: Plan, microsteps: int) -> str:
    return _number(microsteps * (plan.motion.microstep_um or 0.0) / 1000)


def _number(value: float) -> str:
    """A number to a tenth of a nanometre, no -0, no trailing zeros, no exponent, which the language does not know."""
    text = f"{value:.7f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _up(seconds: float) -> float:
    """Up to whole milliseconds, so that no wait is cut short by rounding."""
    return math.ceil(seconds * 1000 - 1e-6) / 1000


def _comments(text: str) -> list[str]:
    """Text in parentheses, which must not nest, in the characters that every controller has.

    A comment that begins with a word and a comma may be an order (MSG, in 3.3.4; other controllers have more), so a
    line that goes on begins with a sign, and every other one with a word of ours.
    """
    plain = "".join(c if c.isascii() and c.isprintable() and c not in "()" else "_" for c in text)
    return [
        f"({line})" for line in textwrap.wrap(plain, _COMMENT_WIDTH, subsequent_indent="- ", break_on_hyphens=False)
    ]
