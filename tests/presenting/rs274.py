"""A reader of RS274/NGC for tests, written from NISTIR 6556 alone, and strict: what it does not know is an error.

It covers what a one-axis program with a switched output needs, with the report's rules: one word of a modal group
a line (3.4), numbers without exponents (3.3.2.1), comments not nested (3.3.4), a feed before the first G1 (3.5.2),
G4 P in seconds and not negative (3.5.4), order of execution within a line (3.8, Table 8), lines up to 256 characters.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

WORD = re.compile(r"([GMXFP])([+-]?(?:\d+\.?\d*|\.\d+))")
MODAL = {"G0": 1, "G1": 1, "G90": 3, "G91": 3, "G94": 5, "G93": 5, "G20": 6, "G21": 6, "G4": 0, "M2": 14}
COOLANT = {"M7", "M8", "M9"}


@dataclass
class Machine:
    """What the program did: events ``("move", mm, mm/min)``, ``("dwell", s)``, ``("on",)``, ``("off",)``."""

    events: list[tuple] = field(default_factory=list)
    modes: dict[int, str] = field(default_factory=dict)
    feed: float | None = None
    ended: bool = False


def run(text: str) -> Machine:
    machine = Machine()
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        assert not machine.ended, f"line {number}: after the end of the program"
        assert len(line) <= 256, f"line {number}: too long"
        assert line.isascii(), f"line {number}: {line}"
        code = re.sub(r"\([^()]*\)", "", line)
        assert "(" not in code, f"line {number}: comment not closed or nested"
        assert ")" not in code, f"line {number}: comment not closed or nested"
        words = WORD.findall(code.replace(" ", ""))
        assert "".join(letter + value for letter, value in words) == code.replace(" ", ""), f"line {number}: {line}"
        _line(machine, words, number)
    assert machine.ended, "no M2"
    return machine


def _line(machine: Machine, words: list[tuple[str, str]], number: int) -> None:
    codes = [f"{letter}{int(value)}" for letter, value in words if letter in "GM"]
    values = {letter: float(value) for letter, value in words if letter in "XFP"}
    assert len(values) == sum(letter in "XFP" for letter, _ in words), f"line {number}: a word twice"
    groups = [MODAL[code] for code in codes if code not in COOLANT]
    assert len(set(groups)) == len(groups), f"line {number}: two words of one modal group"
    assert len(COOLANT & set(codes)) <= 1, f"line {number}: two coolant words"
    machine.feed = values.get("F", machine.feed)
    for code in codes:
        if code in COOLANT:
            machine.events.append(("off",) if code == "M9" else ("on",))
    if "G4" in codes:
        assert values["P"] >= 0, f"line {number}: negative dwell"
        machine.events.append(("dwell", values["P"]))
    for code in codes:
        if code not in COOLANT and MODAL[code]:
            machine.modes[MODAL[code]] = code
    if "X" in values:
        assert machine.modes.get(6) == "G21", f"line {number}: moves before its unit is set"
        assert machine.modes.get(3) == "G90", f"line {number}: moves before its distance mode is set"
        assert machine.modes.get(1) == "G1", f"line {number}: no feed move"
        assert machine.feed, f"line {number}: G1 without a feed"
        machine.events.append(("move", values["X"], machine.feed))
    if "M2" in codes:
        machine.events.append(("off",))
        machine.ended = True
