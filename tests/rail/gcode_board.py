"""A controller of our own that takes RS274/NGC words and only acknowledges, with the rail and the camera behind it.

It is as unkind as the standard allows and as real ones were seen to be: moves wait in a queue and begin late, an output
acts at once whatever moves, acknowledgements mean "queued" and may be lost, late or doubled; it resets at any instant,
in the middle of a byte's line too, is deaf while it starts, forgets its place and what it was set to, and its greeting
may be lost; it is locked after a start; a boot loader swallows the first line; an unknown word gets a notice and then
its acknowledgement; it says things unasked; it lets the motor go; its steps, units and reports are not the profile's.
Nothing of the program's is used here but the virtual clock.
"""

from __future__ import annotations

import math
import re

from rail.gcode_manners import ALARM, BAD, FULL_STEP_MM, GREETING, LOCKED, NOTICE, STATUS, TAKEN, Faults, Manners
from rail.trapezoid import Move

from stacker.rail.clock import Clock, VirtualClock

__all__ = [
    "ALARM",
    "BAD",
    "FULL_STEP_MM",
    "GREETING",
    "LOCKED",
    "NOTICE",
    "STATUS",
    "TAKEN",
    "Board",
    "Faults",
    "Manners",
]

WORD = re.compile(r"([A-Z])([-+]?(?:\d+(?:\.\d*)?|\.\d+))")


class Board:
    """The port and all behind it; an instance stands in for an open serial port."""

    port, baudrate, timeout = "bench", 115_200, 0.05

    def __init__(
        self,
        *,
        faults=None,
        manners=None,
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
        self.faults, self.manners = faults or Faults(), manners or Manners()
        self.machine_mm = start_mm  # by the rail's scale; the program must find out
        self.offset_mm = start_mm  # after switching on it calls its place 0
        self.acceleration_mm_s2 = acceleration_mm_s2
        self.begins_after_s, self.answers_after_s = begins_after_s, answers_after_s
        self.lag_s, self.exposure_s = lag_s, exposure_s
        self.greets, self.decimals = greets, decimals
        self.moves: list[Move] = []
        self.feed_mm_s = 0.0
        self.closed = False
        self.lines: list[str] = []
        self.closings: list[tuple[float, float, float]] = []  # shutter opens at, there, and closes there
        self.contact_s: list[tuple[float, bool]] = []
        self.resets_s: list[float] = []
        self._taken: list[tuple[float, bool]] = []
        self._past: list[Move] = []  # of before a reset
        self.longest_s = 0.0
        self.farthest_mm, self.nearest_mm = start_mm, start_mm
        self._in = b""
        self._out: list[tuple[float, bytes]] = []
        self._status_s = self.clock.now()
        self._alarmed = False
        self._start(0.5 if not manners else self.manners.boot_s, deaf=manners is not None)

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
            if self.faults.reset_at_s < end_s:
                coming.append(max(self.faults.reset_at_s, self.clock.now()))
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
        number, after = self.faults.reset_in_line
        for byte in data:
            if len(self.lines) + 1 == number and len(self._in) == after:
                self.faults.reset_in_line = (0, 0)
                self._reset(self.clock.now())
            if self.clock.now() < self._hears_s:
                continue  # deaf: it is starting
            self._in += bytes([byte])
            if byte == ord("\n"):
                line, self._in = self._in[:-1].decode("ascii"), b""
                self._line(line)
        return len(data)

    def close(self):
        pass

    def _alive(self):
        if 0 < self.faults.unplug_at <= len(self.lines):
            raise OSError(5, "Input/output error")
        now_s = self.clock.now()
        if now_s >= self.faults.reset_at_s:
            at_s, self.faults.reset_at_s = self.faults.reset_at_s, math.inf
            self._reset(at_s)
        if now_s >= self.faults.alarm_at_s:
            at_s, self.faults.alarm_at_s = self.faults.alarm_at_s, math.inf
            self._halt(at_s)
            self._alarmed = True
            self._out.append((at_s, f"{ALARM}\r\n".encode()))
        every_s = self.manners.status_every_s
        while every_s and self._status_s <= now_s:
            self._out.append((self._status_s, f"{STATUS}\r\n".encode()))
            self._status_s += every_s

    # -- as a controller

    def _start(self, after_s, *, deaf):
        now_s = self.clock.now()
        self._hears_s = now_s + after_s if deaf else now_s
        self._locked, self._swallows = self.manners.starts_locked, self.manners.swallows_first
        self._ratio = self.manners.steps_ratio if self.manners.remembers else 6.0
        if self.greets and not (self.faults.silent_reset and self.resets_s):
            self._answer(self.manners.greeting, after_s)

    def _line(self, line):
        self.lines.append(line)
        number, faults = len(self.lines), self.faults
        if number == faults.reset_before:
            self._reset(self.clock.now())
            return
        if self._swallows:
            self._swallows = False
            return
        if number in faults.lost_line:
            return
        answers, after_s = ([self.manners.bad], 0.0) if number in faults.refused else self._obey(line)
        for answer in answers:
            if number not in faults.lost_answer:
                self._answer(answer, after_s + faults.late_answer.get(number, self.answers_after_s))
            if number in faults.double_answer and self.manners.taken in answer:
                self._answer(answer, after_s + faults.double_answer[number])

    def _answer(self, text, after_s):
        self._out.append((self.clock.now() + after_s, f"{text}\r\n".encode()))

    def _halt(self, at_s):
        """Everything stands still from then on: step pulses end, what waited is forgotten."""
        self._taken, self.closings = self.exposures(until_s=at_s), []
        self._past += self.moves
        self.machine_mm = self.place_mm(at_s)
        self.moves = []

    def _reset(self, at_s):
        self._halt(at_s)
        self.offset_mm, self.closed, self._in, self._alarmed = self.machine_mm, False, b"", False
        byte_s = 10 / self.baudrate
        cut = []  # an answer on the wire, whose last byte comes at its time, loses its end
        for ends_s, data in self._out:
            sent = len(data) if ends_s <= at_s else len(data) - math.ceil((ends_s - at_s) / byte_s)
            cut += [(min(ends_s, at_s), data[:sent])] if sent > 0 else []
        self._out = cut
        self.resets_s.append(at_s)
        boot_s = self.manners.boot_s
        self._start(max(0.0, at_s + boot_s - self.clock.now()), deaf=True)

    def _obey(self, line):
        """The answers, and how much later than usual they come."""
        m, now_s = self.manners, self.clock.now()
        taken = m.taken + m.ending
        if self._alarmed:
            return [ALARM], 0.0
        if line == "unlock":
            self._locked = False
            return [taken], 0.0
        if self._locked:
            return [f"{m.bad}: locked"], 0.0
        if line == "set steps":
            self._ratio = m.steps_ratio
            return [taken], 0.0
        if line == "where?":
            answer = f"at {self._reported():.{self.decimals}f} mm, busy {int(self.busy(now_s))}"
            return ([f"{taken} {answer}"] if m.in_one_line else [answer, taken]), 0.0
        if line in m.contact:
            self._contact(closed=line == m.contact[0])
            return [taken], 0.0
        words = {letter: float(number) for letter, number in WORD.findall(line)}
        rest = WORD.sub("", re.sub(r"\([^()]*\)", "", line)).strip()
        if rest or not words or words.get("G") not in (1, 4, 21, 90, 92, 94):
            return ([f"{NOTICE} '{line}'?", taken] if m.notice_then_taken else [m.bad]), 0.0
        ends_s = max([now_s, *(move.ends_s for move in self.moves)])
        if words["G"] == 4:
            return [taken], (ends_s - now_s if m.dwell == "waits" else 0.0)
        if words["G"] == 92:
            self.offset_mm = (self.moves[-1].end_mm if self.moves else self.machine_mm) - words["X"] * self._ratio
        if words["G"] == 1:
            self._queue(words)
            if m.acknowledges_moves == "ended":
                return [taken], self.moves[-1].ends_s - now_s
        return [taken], 0.0

    def _reported(self):
        place_mm = self.place_mm(self.clock.now())
        if self.manners.report == "target" and self.moves:
            place_mm = self.moves[-1].end_mm
        if self.manners.report == "machine":
            return place_mm - 40.0
        place_mm = (place_mm - self.offset_mm) / self._ratio
        return {"inches": place_mm / 25.4, "microsteps": place_mm * 1600}.get(self.manners.report, place_mm)

    def _queue(self, words):
        now_s = self.clock.now()
        self.feed_mm_s = words.get("F", 60 * self.feed_mm_s) / 60 * self._ratio
        free_s = max([now_s + self.begins_after_s, *(move.ends_s for move in self.moves)])
        start_mm = self.moves[-1].end_mm if self.moves else self.machine_mm
        end_mm = words["X"] * self._ratio + self.offset_mm
        move = Move(free_s, start_mm, end_mm, self.feed_mm_s, self.acceleration_mm_s2 * self._ratio)
        self.moves.append(move)
        self.longest_s = max(self.longest_s, move.ends_s - move.begins_s)

    def place_mm(self, at_s):
        begun = [move for move in self.moves if move.begins_s <= at_s]
        place_mm = begun[-1].at(at_s) if begun else self.machine_mm
        if self.manners.lets_go and not self.busy(at_s):
            return round(place_mm / FULL_STEP_MM) * FULL_STEP_MM
        return place_mm

    def busy(self, at_s):
        return any(move.begins_s < at_s < move.ends_s for move in self.moves)

    @property
    def reached_mm(self):
        """Lowest and highest place of the carriage, once all is over; a move that a reset cut counts whole."""
        places = [self.machine_mm] + [mm for m in self._past + self.moves for mm in (m.start_mm, m.end_mm)]
        return min(places), max(places)

    @property
    def rests_s(self):
        """When the last move ends."""
        return max([0.0, *(move.ends_s for move in self.moves)])

    def _contact(self, *, closed):
        now_s = self.clock.now()
        self.contact_s.append((now_s, closed))
        if closed and not self.closed:
            self.closings.append((now_s + self.lag_s, now_s, now_s + self.lag_s + self.exposure_s))
        self.closed = closed

    # -- what a test looks at, once all is over

    def exposures(self, until_s=math.inf):
        """Where the shutter opened [mm of the rail's scale], and whether the rail was at rest throughout.

        A contact that a reset opens before the camera's lag is over takes no picture.
        """
        return self._taken + [
            (
                self.place_mm(opens_s),
                not any(move.begins_s < closes_s and opens_s < move.ends_s for move in self.moves),
            )
            for opens_s, _, closes_s in self.closings
            if opens_s <= until_s
        ]
