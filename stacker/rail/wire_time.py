"""How long a frame's requests and answers are on the wire, from the lines that a run really sends.

What adapters, networks and the controller itself add is not known, and not here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from stacker.motion.frame_clock import Wire
from stacker.rail.address import is_simulated, options_of
from stacker.rail.framing import reply_bytes, request_bytes

DEFAULT_BAUD = 115_200
ROUNDED_S = 0.002  # the controller counts whole milliseconds, rounded up: asked a moment too soon costs a question more
ANSWERS_S = 0.0005  # from the end of a request to its effect and its answer: our controller's, and the simulated rail's


if TYPE_CHECKING:  # classes of that kind take their time, and planning has none to spare

    class _Link(Protocol):
        @property
        def url(self) -> str: ...
        @property
        def baud(self) -> int: ...

    class _Shutter(Protocol):
        @property
        def via(self) -> str: ...
        @property
        def bulb(self) -> bool: ...

    class _Wired(Protocol):
        """What of a rail profile decides which lines are sent, and how fast."""

        @property
        def travel_mm(self) -> float: ...
        @property
        def microstep_um(self) -> float: ...
        @property
        def link(self) -> _Link | None: ...
        @property
        def shutter(self) -> _Shutter: ...


def wire_of(rail: _Wired) -> Wire:
    """Times of the line to the controller of this rail; without a link, of our line protocol at the usual speed."""
    link, by_rail = rail.link, rail.shutter.via == "rail"
    answer_s: float | None = getattr(link, "answer_s", None)  # a controller of RS274/NGC words has it
    if answer_s is not None:
        return gcode_wire(answer_s, queried=bool(getattr(link, "position_query", None)), by_rail=by_rail)
    each_s = byte_s(link.url, link.baud) if link else byte_s("", DEFAULT_BAUD)
    middle = round(rail.travel_mm * 500 / rail.microstep_um)
    return line_wire(each_s, position=middle, by_rail=by_rail, bulb=rail.shutter.bulb)


def byte_s(url: str, baud: int) -> float:
    """How long one byte takes: a start bit, eight bits, a stop bit [s].

    Behind ``socket://`` the speed is taken for that of the line at its far end; a simulated rail's own is in its URL.
    """
    if is_simulated(url):
        said = options_of(url).get("baud", "")
        baud = int(said) if said.isdecimal() and int(said) > 0 else baud  # anything else the port itself refuses
    return 10 / baud


def line_wire(byte_s: float, *, position: int, by_rail: bool, bulb: bool) -> Wire:
    """Times of the line protocol.

    Parameters
    ----------
    byte_s : float
        How long one byte takes [s].
    position : int
        A usual position of the rail [microsteps]: its digits are sent.
    by_rail : bool
        Whether the controller closes the camera's contact.
    bulb : bool
        Whether it holds it for the exposure.
    """

    def asked(verb: str, *arguments: int) -> float:
        return request_bytes(verb, *arguments) * byte_s + ANSWERS_S

    def answered(*words: int | str) -> float:
        return reply_bytes(*words) * byte_s

    move_s, where_s = asked("move", position), asked("where")
    rests_s = answered("rest", "known", position, "arrived")
    moves = Wire(begin_s=move_s, leave_s=move_s, arrive_s=where_s, leg_s=rests_s + move_s, fire_s=rests_s)
    if not by_rail:
        return moves
    shot, set_s = 10, asked("shutter", 1000, 0) + answered()
    told_s = answered(shot, "fired", "unwired")
    return Wire(
        begin_s=set_s + asked("shot") + told_s + move_s,
        leave_s=ANSWERS_S + told_s + move_s,
        arrive_s=where_s,
        leg_s=moves.leg_s,
        tell_s=asked("watch", 1000, 0) + answered() + (set_s if bulb else 0.0),
        fire_s=rests_s + asked("fire", shot, position),
        outcome_s=answered(shot, "firing", "unwired") + request_bytes("shot") * byte_s,
        over_s=ROUNDED_S,
    )


def gcode_wire(answer_s: float, *, queried: bool, by_rail: bool) -> Wire:
    """Times of RS274/NGC words, as `line_wire`: of each acknowledgement what was measured of it, its bytes included.

    Those of a move are in the profile's moves already.
    """
    asked = 1 if queried else 0
    if not by_rail:
        return Wire()
    each_s = answer_s
    return Wire(fire_s=each_s, close_s=each_s, over_s=ROUNDED_S, let_go_s=(1 + asked) * each_s)
