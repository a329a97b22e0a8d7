"""A controller of our own that takes RS274/NGC words and only acknowledges, with the rail and the camera behind it.

It is as unkind as the standard allows: moves wait in a queue and begin late, an output acts at once whatever moves,
acknowledgements mean "queued", and any of them may be lost, late or doubled. Nothing of the program's is used here
but the virtual clock.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

from stacker.rail.clock import Clock, VirtualClock

WORD = re.compile(r"([A-Z])([-+]?(?:\d+(?:\.\d*)?|\.\d+))")
TAKEN, BAD, GREETING = "taken", "bad", "bench board, ready"


@dataclass
class Move:
    """A trapezoid between two machine positions [mm]."""

    begins_s: float
    start_mm: float
    end_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float

    def __post_init__(self):
        way = abs(self.end_mm - self.start_mm)
        self.top = min(self.speed_mm_s, math.sqrt(way * self.acceleration_mm_s2))
        self.ramp_s = self.top / self.acceleration_mm_s2
        self.flat_s = way / self.top - self.ramp_s if self.top else 0.0

    @property
    def ends_s(self):
        return self.begins_s + 2 * self.ramp_s + self.flat_s

    def at(self, now_s):
        t, way = now_s - self.begins_s, abs(self.end_mm - self.start_mm)
        if t <= 0:
            return self.start_mm
        if t >= self.ends_s - self.begins_s:
            return self.end_mm
        left_s = self.ends_s - now_s
        if t < self.ramp_s:
            done = self.acceleration_mm_s2 * t * t / 2
        elif left_s < self.ramp_s:
            done = way - self.acceleration_mm_s2 * left_s * left_s / 2
        else:
            done = self.top * (t - self.ramp_s / 2)
        return self.start_mm + math.copysign(done, self.end_mm - self.start_mm)


@dataclass
class Faults:
    """What happens to the line of that number, counted from 1 over all lines that arrive."""

    lost_line: set[int] = field(default_factory=set)
    lost_answer: set[int] = field(default_factory=set)
    late_answer: dict[int, float] = field(default_factory=dict)
    double_answer: dict[int, float] = field(default_factory=dict)
    refused: set[int] = field(default_factory=set)
    reset_before: int = 0
    silent_reset: bool = False
    unplug_at: int = 0


class Board:
    """The port and all behind it; an instance stands in for an open serial port."""

    port, baudrate, timeout = "bench", 115_200, 0.05

    def __init__(
        self,
        *,
        faults=None,
        start_mm=40.0,
        acceleration_mm_s2=15.0,
        begins_after_s=0.02,
        answers_after_s=0.01,
        lag_s=0.02,
        exposure_s=0.005,
        greets=True,
        decimals=4,
        clock: Clock | None = None,
    ):
        self.clock = clock or VirtualClock()
        self.faults = faults or Faults()
        self.machine_mm = start_mm  # by the rail's scale; the program must find out
        self.offset_mm = start_mm  # after switching on it calls its place 0
        self.acceleration_mm_s2 = acceleration_mm_s2
        self.begins_after_s, self.answers_after_s = begins_after_s, answers_after_s
        self.lag_s, self.exposure_s = lag_s, exposure_s
        self.decimals = decimals
        self.moves: list[Move] = []
        self.feed_mm_s = 0.0
        self.closed = False
        self.lines: list[str] = []
        self.closings: list[tuple[float, float, float]] = []  # shutter opens at, there, and closes there
        self.contact_s: list[tuple[float, bool]] = []
        self._taken: list[tuple[float, bool]] = []
        self.longest_s = 0.0
        self._in = b""
        self._out: list[tuple[float, bytes]] = []
        if greets:
            self._answer(GREETING, 0.5)

    # -- as a port

    @property
    def in_waiting(self):
        self._alive()
        return sum(len(data) for at_s, data in self._out if at_s <= self.clock.now())

    def read(self, size=1):
        self._alive()
        end_s = self.clock.now() + self.timeout
        while not (have := self.in_waiting):
            coming = [at_s for at_s, _ in self._out if at_s <= end_s]
            self.clock.sleep((min(coming) if coming else end_s) - self.clock.now())
            if not coming:
                return b""
        ready = sorted((part for part in self._out if part[0] <= self.clock.now()), key=lambda part: part[0])
        data = b"".join(part[1] for part in ready)[: min(size, have)]
        rest = b"".join(part[1] for part in ready)[len(data) :]
        self._out = [part for part in self._out if part[0] > self.clock.now()]
        if rest:
            self._out.insert(0, (self.clock.now(), rest))
        return data

    def write(self, data):
        self._alive()
        self._in += data
        while b"\n" in self._in:
            line, _, self._in = self._in.partition(b"\n")
            self._line(line.decode("ascii"))
        return len(data)

    def close(self):
        pass

    def _alive(self):
        if 0 < self.faults.unplug_at <= len(self.lines):
            raise OSError(5, "Input/output error")

    # -- as a controller

    def _line(self, line):
        self.lines.append(line)
        number, faults = len(self.lines), self.faults
        if number == faults.reset_before:
            self._reset()
            return
        if number in faults.lost_line:
            return
        answers = [BAD] if number in faults.refused else self._obey(line)
        for answer in answers:
            if number not in faults.lost_answer:
                self._answer(answer, faults.late_answer.get(number, self.answers_after_s))
            if number in faults.double_answer and answer == TAKEN:
                self._answer(answer, faults.double_answer[number])

    def _answer(self, text, after_s):
        self._out.append((self.clock.now() + after_s, f"{text}\r\n".encode()))

    def _reset(self):
        now_s = self.clock.now()
        self._taken, self.closings = self.exposures(), []
        self.machine_mm = self.place_mm(now_s)
        self.offset_mm, self.moves, self.closed = self.machine_mm, [], False
        if not self.faults.silent_reset:
            self._answer(GREETING, 1.0)

    def _obey(self, line):
        if line == "where?":
            place_mm = self.place_mm(self.clock.now()) - self.offset_mm
            busy = int(self.busy(self.clock.now()))
            return [f"at {place_mm:.{self.decimals}f} mm, busy {busy}", TAKEN]
        words = {letter: float(number) for letter, number in WORD.findall(line)}
        rest = WORD.sub("", re.sub(r"\([^()]*\)", "", line)).strip()
        if rest or not words:
            return [BAD]
        if "G" in words and words["G"] in (21, 90, 94):
            return [TAKEN]
        if words.get("G") == 92:
            self.offset_mm = self.place_mm(self.clock.now()) - words["X"]
            return [TAKEN]
        if words.get("G") == 1:
            return self._queue(words)
        if words.get("M") in (8, 9):
            self._contact(closed=words["M"] == 8)
            return [TAKEN]
        return [BAD]

    def _queue(self, words):
        now_s = self.clock.now()
        self.feed_mm_s = words.get("F", 60 * self.feed_mm_s) / 60
        free_s = max([now_s + self.begins_after_s, *(move.ends_s for move in self.moves)])
        start_mm = self.moves[-1].end_mm if self.moves else self.machine_mm
        move = Move(free_s, start_mm, words["X"] + self.offset_mm, self.feed_mm_s, self.acceleration_mm_s2)
        self.moves.append(move)
        self.longest_s = max(self.longest_s, move.ends_s - move.begins_s)
        return [TAKEN]

    def place_mm(self, at_s):
        begun = [move for move in self.moves if move.begins_s <= at_s]
        return begun[-1].at(at_s) if begun else self.machine_mm

    def busy(self, at_s):
        return any(move.begins_s < at_s < move.ends_s for move in self.moves)

    def _contact(self, *, closed):
        now_s = self.clock.now()
        self.contact_s.append((now_s, closed))
        if closed and not self.closed:
            self.closings.append((now_s + self.lag_s, now_s, now_s + self.lag_s + self.exposure_s))
        self.closed = closed

    # -- what a test looks at, once all is over

    def exposures(self):
        """Where the shutter opened [mm of the rail's scale], and whether the rail was at rest throughout."""
        return self._taken + [
            (
                self.place_mm(opens_s),
                not any(move.begins_s < closes_s and opens_s < move.ends_s for move in self.moves),
            )
            for opens_s, _, closes_s in self.closings
        ]
