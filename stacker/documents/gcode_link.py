"""What a profile says of a controller that understands RS274/NGC words: its own answers have no standard."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from stacker.documents.fields import declare
from stacker.documents.values import Choice, Flag, ListOf, Number, Text
from stacker.motion.move_time import PIECE_S
from stacker.records import record

MEASURED_MM = (9.7, 10.3)  # a wrong lead or microstep setting is far outside, what a ruler reads is inside
_MOVES = re.compile(r"(?i)(?<![a-z])G0*([0-3]|28|30|38|8[0-9])(?![0-9])")  # NISTIR 6556, Table 5: what moves an axis
_LINE = re.compile(r"[ -~]{1,80}")


def _lines(doc: str, default: tuple[str, ...] = ()) -> Any:
    return declare(ListOf(item=Text()), doc, default=default)


@record
class GcodeLink:
    """How the computer reaches a controller that understands RS274/NGC words; its own answers have no standard."""

    url: str = declare(Text(), "serial port, or an address such as socket://127.0.0.1:7000")
    dialect: str = declare(Choice(words=("gcode",)), "what the controller understands")
    baud: int = declare(Number(whole=True, least=300, most=4_000_000), "speed of the serial line", default=115_200)
    acknowledge: tuple[str, ...] = declare(
        ListOf(item=Text()),
        "beginnings of the lines by which the controller acknowledges a line; none is assumed",
    )
    refuse: tuple[str, ...] = _lines(
        "beginnings of the lines by which it refuses a line, or says that something is wrong; listened for at all times"
    )
    greeting: tuple[str, ...] = _lines(
        "what it says whenever it restarts, or the beginning of that; heard in the middle of a run it means a reset"
    )
    unlock: tuple[str, ...] = _lines("lines to be sent after its greeting, if it starts locked; they must move nothing")
    at_start: tuple[str, ...] = _lines(
        "lines to be sent at every opening: units and modes, and what a controller without memory forgets; they must "
        "move nothing",
        default=("G21", "G90", "G94"),
    )
    close_contact: str = declare(Text(), "line that closes the camera's contact, such as 'M106 S255'", default="M8")
    open_contact: str = declare(Text(), "line that opens it again, such as M107", default="M9")
    acknowledge_s: float = declare(
        Number(unit="s", least=0.05, most=60), "how long to wait for an acknowledgement", default=3.0
    )
    no_stop_accepted: bool = declare(
        Flag(),
        "true: I know that nothing in this standard stops a move, that the rail halts up to piece_s after Ctrl-C, "
        "and that a switch in the motor's supply is within reach",
    )
    axis: str = declare(Choice(words=("X", "Y", "Z")), "axis that the rail is wired to", default="X")
    wake_s: float = declare(
        Number(unit="s", least=0, most=60),
        "silence after the port was opened, as many boards restart then",
        default=3.0,
    )
    arrival: str = declare(
        Choice(words=("margin", "dwell")),
        "what says that a move has ended: its predicted end and arrival_margin_s, or the acknowledgement of 'G4 P0', "
        "where 'stacker rail identify PROFILE --go' has shown that it waits for the move",
        default="margin",
    )
    arrival_margin_s: float = declare(
        Number(unit="s", least=0, most=1),
        "added to the predicted end of a move: an acknowledgement means queued, not arrived",
        default=0.5,
    )
    answer_s: float = declare(
        Number(unit="s", least=0, most=5),
        "how long an acknowledgement takes, for the plan's clock; 'stacker rail identify' measures it",
        default=0.01,
    )
    move_extra_s: float | None = declare(
        Number(unit="s", least=0, most=5),
        "how much longer a move takes with its acknowledgements than its travel alone, with arrival: dwell; 'stacker "
        "rail "
        "identify PROFILE --go' measures it; three acknowledgements unless given",
        default=None,
    )
    piece_s: float = declare(
        Number(unit="s", least=0.2, most=30),
        "the longest time for a piece of a move: nothing stops a piece under way, and by one piece a rail may leave "
        "its range "
        "when the controller restarts; with longer pieces a long move takes no longer than the controller's own",
        default=PIECE_S,
    )
    position_query: str | None = declare(
        Text(), "line that asks for the position; without one it is calculated, never read", default=None
    )
    position_reply: str | None = declare(
        Text(), "what the answer holds, {mm} in place of the number, as in 'at {mm} mm'", default=None
    )
    query_acknowledged: bool = declare(
        Flag(), "whether a position query gets an acknowledgement beside its answer", default=True
    )
    keeps_motor_on: bool | None = declare(
        Flag(),
        "whether the controller holds the motor between moves, without a time limit: true as its settings say, false "
        "if it lets go (then the rail may slip before each exposure); left out: not known",
        default=None,
    )
    exposure_seen: bool = declare(
        Flag(),
        "true: I saw the camera fire at these two lines; until then each run asks at its first frame",
        default=False,
    )
    measured_10_mm: float | None = declare(
        Number(unit="mm", least=MEASURED_MM[0], most=MEASURED_MM[1]),
        "how far the rail really went when 10 mm were ordered; 'stacker rail move PROFILE --by-mm 10 --go' asks for it",
        default=None,
    )
    measured_with: str | None = declare(
        Text(),
        "mark of the steps, axis and lines with which that was measured, written beside it; after a change it must be "
        "measured again",
        default=None,
    )

    @property
    def gcode(self) -> GcodeLink:
        """Itself: what there is to say of RS274/NGC words."""
        return self

    @property
    def pause_s(self) -> float:
        """How much longer than its way a piece of a move takes [s]: acknowledgements, and the proof of its arrival."""
        if self.arrival == "dwell":
            proof_s = 3 * self.answer_s if self.move_extra_s is None else self.move_extra_s
        else:
            proof_s = 2 * self.answer_s + self.arrival_margin_s
        return proof_s + (2 * self.answer_s if self.position_query else 0.0)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Words to wait for, a risk taken knowingly, a question with its answer, lines that move nothing."""
        if not self.acknowledge:
            yield "acknowledge", "found an empty list; write the words by which the controller acknowledges a line"
        if not self.no_stop_accepted:
            yield (
                "no_stop_accepted",
                "found false; this dialect cannot stop a move. Write true if you accept that, else use dialect: line",
            )
        if (self.position_query is None) != (self.position_reply is None):
            yield "position_query", "write position_query and position_reply together, or neither"
        if self.position_reply is not None and self.position_reply.count("{mm}") != 1:
            yield "position_reply", f"found '{self.position_reply}'; write {{mm}} once, where the number stands"
        yield from self._answers_that_cannot_be_told_apart()
        for key in ("unlock", "at_start", "close_contact", "open_contact", "position_query"):
            yield from _faults_of_lines(key, getattr(self, key))

    def _answers_that_cannot_be_told_apart(self) -> Iterator[tuple[str, str]]:
        for word in self.acknowledge:
            if any(greeting in word for greeting in self.greeting):
                yield (
                    "greeting",
                    f"found in the acknowledgement '{word}'; each would count as a reset: write more of it",
                )
            if any(word.startswith(refusal) for refusal in self.refuse):
                yield "refuse", f"found at the beginning of the acknowledgement '{word}'; write more of it"
        if self.unlock and not self.greeting:
            yield "unlock", "found without greeting; write how the greeting begins after which it is locked"
        if self.close_contact == self.open_contact:
            yield "open_contact", f"found '{self.open_contact}', as close_contact; the contact would stay closed"


def _faults_of_lines(key: str, value: str | tuple[str, ...] | None) -> Iterator[tuple[str, str]]:
    for line in (value,) if isinstance(value, str) else value or ():
        if not _LINE.fullmatch(line):
            yield key, f"found {line!r}; write one line of 1 to 80 ASCII characters"
        elif _MOVES.search(line):
            yield key, f"found '{line}', which moves an axis; nothing may move unless you say so"
