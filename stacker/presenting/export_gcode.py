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

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.plan import Plan
from stacker.documents.rail_profile import RailProfile
from stacker.errors import Refusal
from stacker.motion.take_up import reach
from stacker.presenting.frame_times import frame_times, move_times_s, stops_microsteps
from stacker.presenting.gcode_style import GcodeStyle
from stacker.presenting.tables import duration

_COMMENT_WIDTH = 76
_WAITED_S = 0.002  # the plan's times are rounded to milliseconds: more than that is a wait for flash or card


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
    positions = [position for position in plan.frames.position_microsteps if position is not None]
    direction = plan.request.direction
    low, high = reach(positions, direction=direction, take_up=plan.motion.take_up_microsteps or 0)
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
    request, frames = plan.request, plan.frames
    assert request.light is not None
    delay_s, shutter = request.camera.mirror_s + request.camera.lag_s, profile.shutter
    planned, moves_s = frame_times(plan), move_times_s(plan, profile)
    lines: list[str] = []
    clock_s, contact_s = 0.0, -math.inf
    for row, stops in enumerate(stops_microsteps(plan)):
        number, focus_um, exposure_s = frames.frame[row], frames.focus_um[row], frames.exposure_s[row] or 0.0
        lines += _comments(f"frame {number} of {len(frames)}, focus {focus_um / 1000:.4f} mm from the front")
        lines += [f"G1 X{_mm(plan, stop)}" for stop in stops]
        # A wait for flash or card keeps the plan's interval even where the contact's pulse outlasts the exposure.
        due_s = contact_s + request.light.recycle_s
        clock_s += moves_s[row]
        if planned and row and planned[row].opens_s - delay_s - planned[row].settled_s > _WAITED_S:
            due_s = max(due_s, contact_s + planned[row].opens_s - planned[row - 1].opens_s)
        settle_s = max(profile.settle_s, due_s - clock_s)
        closed_s = exposure_s if shutter.bulb else shutter.pulse_s
        lines += [f"G4 P{_number(_up(settle_s))}", "M8", f"G4 P{_number(_up(closed_s))}", "M9"]
        contact_s = clock_s + _up(settle_s)
        clock_s = contact_s + _up(closed_s)
        rest_s = contact_s + delay_s + exposure_s - clock_s
        if rest_s > 0:
            lines.append(f"G4 P{_number(_up(rest_s))}")
            clock_s += _up(rest_s)
    return lines, clock_s


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
