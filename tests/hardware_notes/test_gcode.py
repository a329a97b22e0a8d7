"""Exported programs before an independent judge: an RS274/NGC interpreter that prints what a machine would do.

The interpreter is the one that grew out of NIST's (T. R. Kramer et al., NISTIR 6556, 2000), as Debian builds it. It is
found by the environment variable STACKER_RS274 (the path of its program) or as ``rs274`` on the search path.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from stacker.documents.plan import Plan
from stacker.documents.plan_file import read_plan
from stacker.documents.rail_profile import RailProfile
from stacker.errors import Refusal
from stacker.presenting.export_gcode import gcode_text
from stacker.rail.wire_time import wire_of

pytestmark = pytest.mark.campaign

PLANS = Path(__file__).parents[2] / "plans"
PRINTED_MM = 0.000051  # the interpreter prints four decimals


@dataclass
class Program:
    """What a machine would do in turn: ``("feed", x_mm)``, ``("dwell", s)``, ``("on", 0)``, ``("off", 0)``."""

    acts: list[tuple[str, float]] = field(default_factory=list)
    words: set[str] = field(default_factory=set)
    feed_mm_min: float = 0.0


def interpreter() -> tuple[Path, dict[str, str]]:
    """The program, and an environment in which it finds its libraries beside itself."""
    found = os.environ.get("STACKER_RS274") or shutil.which("rs274")
    if found is None or not Path(found).is_file():
        message = "no RS274/NGC interpreter: set STACKER_RS274 (DEVELOPERS.md tells how to get it)"
        if os.environ.get("STACKER_REQUIRE_FIRMWARE") == "1":
            pytest.fail(message)
        pytest.skip(message)
    program = Path(found).resolve()
    libraries = [program.parent, *(program.parent.parent / "lib").glob("*-linux-gnu"), program.parent.parent / "lib"]
    return program, os.environ | {"LD_LIBRARY_PATH": os.pathsep.join(map(str, libraries))}


def judged(text: str, folder: Path) -> tuple[int, str]:
    """Exit status of the interpreter and what it printed."""
    program, environment = interpreter()
    (folder / "program.ngc").write_text(text, "ascii")
    (folder / "tool.tbl").write_text("", "ascii")
    done = subprocess.run(
        [program, "-g", "-t", "tool.tbl", "program.ngc"],
        cwd=folder,
        env=environment | {"HOME": str(folder)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def accepted(text: str, folder: Path) -> Program:
    """The program as understood; the test fails where the interpreter refuses it."""
    status, printed = judged(text, folder)
    assert status == 0, printed
    program = Program()
    for name, arguments in re.findall(r"^\s*\d+ N\.+\s+([A-Z_0-9]+)\((.*)\)$", printed, re.MULTILINE):
        program.words.add(name)
        if name == "STRAIGHT_FEED":
            x, *others = map(float, arguments.split(","))
            assert others == [0.0] * 5
            program.acts.append(("feed", x))
        elif name == "DWELL":
            program.acts.append(("dwell", float(arguments)))
        elif name in ("FLOOD_ON", "FLOOD_OFF"):
            program.acts.append(("on" if name == "FLOOD_ON" else "off", 0.0))
        elif name == "SET_FEED_RATE":
            program.feed_mm_min = program.feed_mm_min or float(arguments)
        elif name == "USE_LENGTH_UNITS":
            assert arguments == "CANON_UNITS_MM"
    return program


def leg_s(distance_mm: float, speed_mm_s: float, acceleration_mm_s2: float) -> float:
    """Rest to rest under constant acceleration (elementary mechanics)."""
    if distance_mm < speed_mm_s**2 / acceleration_mm_s2:
        return 2 * math.sqrt(distance_mm / acceleration_mm_s2)
    return distance_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2


@pytest.mark.parametrize("path", sorted(PLANS.glob("*.plan.yaml")), ids=lambda path: path.name)
def test_positions_and_dwells_of_an_exported_program_are_the_plans(path: Path, tmp_path: Path) -> None:
    plan: Plan = read_plan(path)
    profile = plan.request.rail
    if not isinstance(profile, RailProfile) or plan.request.light is None:
        with pytest.raises(Refusal):  # no speed or no exposure is known
            gcode_text(plan)
        return
    program = accepted(gcode_text(plan), tmp_path)
    assert program.feed_mm_min == pytest.approx(profile.speed_mm_s * 60)
    assert "STRAIGHT_TRAVERSE" not in program.words
    assert "MIST_ON" not in program.words

    delay_s = plan.request.camera.mirror_s + plan.request.camera.lag_s
    exposures_s = [value or 0.0 for value in plan.frames.exposure_s]
    x, clock_s, dwelt_s = 0.0, 0.0, 0.0
    closed_s: float | None = None
    fired_mm: list[float] = []
    opened_s: list[float] = []
    for act, value in program.acts:
        if act == "feed":
            assert closed_s is None
            if opened_s:  # the rail stood still until the exposure ended
                assert clock_s >= opened_s[-1] + exposures_s[len(opened_s) - 1] - 1e-9
            clock_s += leg_s(abs(value - x), profile.speed_mm_s, profile.acceleration_mm_s2)
            x, dwelt_s = value, 0.0
        elif act == "dwell":
            assert value > 0  # which the interpreter does not check
            clock_s += value
            dwelt_s += value
        elif act == "on":
            assert dwelt_s >= profile.settle_s
            fired_mm.append(x)
            opened_s.append(clock_s + delay_s)
            closed_s = clock_s
        elif closed_s is not None:
            assert clock_s - closed_s == pytest.approx(profile.shutter.pulse_s, abs=0.00051)
            closed_s = None

    assert plan.motion.microstep_um is not None
    planned_mm = [(position or 0) * plan.motion.microstep_um / 1000 for position in plan.frames.position_microsteps]
    assert fired_mm == pytest.approx(planned_mm, abs=PRINTED_MM)
    # The program's dwells are whole milliseconds rounded up, three a frame; and it waits until the contact is open
    # again where that outlasts the exposure. A run asks and is answered in every frame, which the program does not.
    wire = wire_of(profile)
    asked_s = wire.leave_s + wire.arrive_s + wire.over_s
    assert plan.frames.start_s[0] is not None
    for row, ((a, b), (planned_a, planned_b)) in enumerate(
        zip(pairwise(opened_s), pairwise(plan.frames.start_s), strict=True)
    ):
        assert planned_a is not None
        assert planned_b is not None
        outlasts_s = max(0.0, profile.shutter.pulse_s - delay_s - exposures_s[row])
        late_s = (b - a) - (planned_b - planned_a)
        assert -0.002 - asked_s <= late_s <= outlasts_s + 0.005, f"frame {row + 2}"


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("F60", ""),  # no feed
        ("G1 X1", "G1 X1e-3"),  # an exponent
        ("G1 X1", "G1 X1 X2"),
        ("M8", "M8 M9"),
        ("(a comment)", "(a comment"),
        ("G21", "G211"),
    ],
)
def test_the_judge_refuses_nonsense(good: str, bad: str, tmp_path: Path) -> None:
    """So that its word on our programs means something."""
    text = "(a comment)\nG21\nG90\nG94\nF60\nG1 X1\nG4 P0.5\nM8\nM9\nM2\n"
    assert judged(text, tmp_path)[0] == 0
    assert judged(text.replace(good, bad), tmp_path)[0] != 0
