"""How the board of these tests behaves, and what goes wrong with it at which moment."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

TAKEN, BAD, GREETING = "taken", "bad", "bench board, ready"
NOTICE, ALARM, LOCKED, STATUS = "what is", "alarm: switch", "bad: locked", "idle, all well"
FULL_STEP_MM = 0.01  # 200 a turn, 2 mm lead: where the rotor falls to without current


@dataclass
class Faults:
    """What happens to the line of that number, counted from 1 over all lines that arrive, or at that time."""

    lost_line: set[int] = field(default_factory=set)
    lost_answer: set[int] = field(default_factory=set)
    late_answer: dict[int, float] = field(default_factory=dict)
    double_answer: dict[int, float] = field(default_factory=dict)
    refused: set[int] = field(default_factory=set)
    reset_before: int = 0
    reset_at_s: float = math.inf  # at any instant of the clock
    reset_in_line: tuple[int, int] = (0, 0)  # while the bytes of that line arrive, after so many of them
    silent_reset: bool = False  # its greeting is lost
    alarm_at_s: float = math.inf  # it says so unasked, stops and refuses everything from then on
    unplug_at: int = 0


@dataclass
class Manners:
    """How it behaves, whatever it is sent."""

    taken: str = TAKEN
    bad: str = BAD
    greeting: str = GREETING
    ending: str = ""  # behind every acknowledgement
    notice_then_taken: bool = False  # an unknown word gets both
    contact: tuple[str, str] = ("M8", "M9")
    status_every_s: float = 0.0  # said unasked
    report: str = "mm"  # mm | inches | microsteps | machine (G92 does not set it) | target (where the move will end)
    in_one_line: bool = False  # an answer and its acknowledgement
    dwell: str = "waits"  # waits until all moves have ended | at once
    acknowledges_moves: str = "queued"  # queued | ended
    lets_go: bool = False  # without current at rest
    steps_ratio: float = 1.0  # real mm for an ordered one
    remembers: bool = True  # else steps_ratio is 6 until it is told "set steps"
    starts_locked: bool = False  # until "unlock"
    swallows_first: bool = False  # the first line after a start
    boot_s: float = 1.0  # deaf that long after a start, then it greets
