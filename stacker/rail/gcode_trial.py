"""What a controller of RS274/NGC words means by its answers, tried on a move of a millimetre and back."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from stacker.motion.move_time import move_time_s
from stacker.rail.gcode_moves import DWELL, GcodeMoves
from stacker.rail.gcode_position import agrees
from stacker.rail.gcode_words import mode_of

ASKED = 9  # acknowledgements timed; their median is told
_WAITED = (
    0.8  # a dwell acknowledged after that share of the move's time has waited for it: the rest is for a faster rail
)
_NAMED_MM = 10.0  # the place is called that meanwhile: units and kind of a reply show there


@dataclass(frozen=True, kw_only=True, slots=True)
class Trial:
    """What was found.

    Parameters
    ----------
    answer_s : float
        How long an acknowledgement takes [s].
    dwell_waits : bool
        Whether a dwell of no length is acknowledged only when the move before it has ended.
    move_extra_s : float
        How much longer than its way a move took, by that acknowledgement [s].
    query_tells : str or None
        ``place`` when a query in mid-move tells where the rail is, ``target`` when it tells where it will be; None
        without a query.
    """

    answer_s: float
    dwell_waits: bool
    move_extra_s: float
    query_tells: str | None


def answer_s(controller: GcodeMoves) -> float:
    """How long an acknowledgement takes [s]; nothing moves."""
    line = mode_of(controller.words) or controller.words.open_contact
    took_s = []
    for _ in range(ASKED):
        began_s = controller.clock.now()
        controller.lines.say(line)
        took_s.append(controller.clock.now() - began_s)
    return median(took_s)


def try_moves(controller: GcodeMoves, way: int, *, speed: int, acceleration: int) -> Trial:
    """Go by `way` microsteps and back, and look when what is answered. The position is unknown afterwards.

    Parameters
    ----------
    controller : GcodeMoves
        Connected and taken over.
    way : int
        A move of at most a second [microsteps]; negative: out of the subject.
    speed, acceleration : int
        Of the profile [microsteps/s, microsteps/s^2].

    Raises
    ------
    Refusal
        When the position reply does not fit.
    RunStopped, LinkError
        As `AcknowledgedLines.say`.
    """
    clock, lines, words = controller.clock, controller.lines, controller.words
    controller.configure(speed=speed, acceleration=acceleration, deadman_s=0.0)
    took_s = move_time_s(way, speed_mm_s=speed, acceleration_mm_s2=acceleration)
    here = round(_NAMED_MM * controller.microsteps_per_mm)
    answers_s = answer_s(controller)
    controller.declare(here)
    tells, waits, extra_s = None, [], 0.0
    for start, end, asks in ((here, here + way, words.position_query is not None), (here + way, here, False)):
        began_s = clock.now()
        lines.say(controller.place_line(start))
        sent_s = clock.now()
        lines.say(controller.move_line(end))
        if asks:
            clock.sleep(sent_s + took_s / 2 - clock.now())
            tells = "target" if agrees(controller.queried(), end, controller.microsteps_per_mm) else "place"
        lines.say(DWELL)
        waits.append(clock.now() - sent_s >= _WAITED * took_s)
        extra_s = clock.now() - began_s - took_s
        clock.sleep(sent_s + took_s + words.acknowledge_s - clock.now())  # at rest before it turns, whatever it meant
    return Trial(answer_s=answers_s, dwell_waits=all(waits), move_extra_s=max(0.0, extra_s), query_tells=tells)
