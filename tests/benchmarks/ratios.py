"""How fast the program is, as ratios to what it rests on, measured in one run: ``python tests/benchmarks/ratios.py``.

Absolute times drift with the machine; the medians of alternating runs, divided, do not. With ``--check`` a figure
that is worse than its goal by more than half again ends it with an error: that is no noise.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

FRAMES_300 = """\
rig: {kind: measured, magnification: 3, f_number: 4, working_distance_mm: 60}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000], raw_mb: 27}
light: {kind: flash, exposure_s: 0.005, recycle_s: 1.5}
subject: {depth_mm: 5.6}
rail:
  travel_mm: 80
  soft_limits_mm: [2, 78]
  full_steps_per_turn: 200
  microsteps_per_full_step: 16
  lead_mm: 1
  speed_mm_s: 3
  acceleration_mm_s2: 15
  backlash_um: 12
  repeatability_um: 0.5
"""


def process(arguments: list[str]) -> float:
    """Seconds that a whole process takes, its bytecode cached as in any installation."""
    caching = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    subprocess.run(arguments, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=caching)
    return time.perf_counter() - start


def ratio(ours: Callable[[], float], theirs: Callable[[], float], runs: int = 11) -> tuple[float, float]:
    """Median of ours over median of theirs, in turns, and our median in seconds."""
    pairs = [(ours(), theirs()) for _ in range(runs + 1)][1:]
    mine, other = (statistics.median(times) for times in zip(*pairs, strict=True))
    return mine / other, mine


def timed(function: Callable[[], object]) -> Callable[[], float]:
    """Seconds for one call."""

    def run() -> float:
        start = time.perf_counter()
        function()
        return time.perf_counter() - start

    return run


LEEWAY = 1.5  # a busy machine moves a ratio by a tenth or two; a step of half again is the program's


class Rows:
    """Prints a row a figure, and keeps those that are far past their goal."""

    def __init__(self) -> None:
        self.far_off: list[str] = []

    def at_most(self, what: str, found: float, goal: float, seconds: float | None = None, unit: str = "") -> None:
        """Tell a figure that shall stay small."""
        self._tell(what, found, f"{goal:g}{unit}", seconds, unit, far_off=found > goal * LEEWAY)

    def at_least(self, what: str, found: float, goal: float, seconds: float | None = None) -> None:
        """Tell a figure that shall be large."""
        self._tell(what, found, f"{goal:g} or more", seconds, "", far_off=found < goal / LEEWAY)

    def _tell(self, what: str, found: float, goal: str, seconds: float | None, unit: str, *, far_off: bool) -> None:
        figure = f"{found:.1e}" if 0 < found < 1e-3 else f"{found:.2f}"
        time_ms = "" if seconds is None else f"{seconds * 1000:9.1f} ms"
        print(f"{what:<58} {figure + unit:>10}  goal {goal:<12} {time_ms}")
        if far_off:
            self.far_off.append(f"{what}: {figure}{unit}, goal {goal}")


def whole_commands(folder: Path, rows: Rows) -> None:
    """Help, plan and apertures against the interpreter with its libraries."""
    request = folder / "stack.yaml"
    request.write_text(FRAMES_300, encoding="utf-8")
    python, program = [sys.executable, "-c"], [str(Path(sys.executable).with_name("stacker"))]
    bare, libraries = [*python, "pass"], [*python, "import click, yaml, numpy"]
    found, seconds = ratio(lambda: process([*program, "--help"]), lambda: process(bare))
    rows.at_most("stacker --help / python -c pass", found, 5.5, seconds)
    plan = [*program, "plan", str(request), "--quiet"]
    found, seconds = ratio(lambda: process(plan), lambda: process(libraries))
    rows.at_most("stacker plan, 300 frames / import click, yaml, numpy", found, 1.5, seconds)
    apertures = [*program, "apertures", str(request)]
    found, seconds = ratio(lambda: process(apertures), lambda: process(libraries))
    rows.at_most("stacker apertures, ten / the same", found, 1.5, seconds)


def otf(rows: Rows) -> None:
    """200 frequencies by 400 defocus values to 20 waves against the FFT of a general optics library, 256 pixels."""
    import numpy as np

    os.environ["PRYSM_BACKEND"] = "numpy"
    from prysm.coordinates import cart_to_polar, make_xy_grid
    from prysm.geometry import circle
    from prysm.otf import otf_from_psf
    from prysm.propagation import Wavefront
    from scipy.integrate import quad

    from stacker.optics.otf import defocused_otf

    s, waves = np.linspace(0.005, 0.995, 200), np.linspace(0, 20, 400)
    x, y = make_xy_grid(256, diameter=2)
    rho, _ = cart_to_polar(x, y)
    pupil = circle(1, rho).astype(float)

    def one_defocus(w20: float) -> None:
        front = Wavefront.from_amp_and_phase(pupil, w20 * 550 * rho**2, 0.55, x[0, 1] - x[0, 0])
        otf_from_psf(front.focus(4, Q=3).intensity)

    ours = statistics.median(timed(lambda: defocused_otf(s[:, None], waves))() for _ in range(9))
    # the library needs one transform for each defocus value: eight are timed, the rest are the same
    theirs = statistics.median(timed(lambda: [one_defocus(w) for w in np.linspace(0, 20, 8)])() for _ in range(3)) * 50
    rows.at_least("defocused OTF: FFT library / ours", theirs / ours, 100, ours)
    grid = defocused_otf(s[:, None], waves)
    rng = np.random.default_rng(1)
    errors = []
    for i, j in zip(rng.integers(0, 200, 60), rng.integers(0, 400, 60), strict=True):
        exact, _ = quad(
            lambda t, s0=s[i], w=waves[j]: 4 / np.pi * np.sqrt(1 - t * t) * np.cos(8 * np.pi * w * s0 * (t - s0)),
            s[i], 1, limit=800, epsabs=1e-13,
        )  # fmt: skip
        errors.append(abs(grid[i, j] - exact))
    rows.at_most("largest error against scipy.integrate.quad, 60 points", max(errors), 1e-9)


def plan_files(folder: Path, rows: Rows) -> None:
    """Writing and reading a plan of 3,000 frames against json."""
    from dataclasses import replace

    from stacker.documents.loading import load_request
    from stacker.documents.plan_file import parse_plan, plan_text
    from stacker.errors import Refusal, StackerError
    from stacker.planning.planner import plan_of

    request = folder / "long.yaml"
    request.write_text(FRAMES_300, encoding="utf-8")
    longer = ["subject.depth_mm=112", "rig.working_distance_mm=200"]
    longer += ["rail.travel_mm=200", "rail.soft_limits_mm=[0, 200]"]
    loaded = load_request(request, longer)
    plan = plan_of(loaded.value, loaded.assumed)
    table = [list(row) for row in zip(*plan.frames.columns(), strict=True)]
    as_json = json.dumps(table)
    text = plan_text(plan)
    edited = text.replace("0.005000", "0.00500", 1)

    def read_edited() -> None:
        try:
            parse_plan(edited, "p")
        except (Refusal, StackerError):
            return

    frames = f"{len(plan.frames)} frames"
    found, seconds = ratio(timed(lambda: plan_text(plan)), timed(lambda: json.dumps(table)))
    rows.at_most(f"plan written, {frames} / json.dumps", found, 1.5, seconds)
    found, seconds = ratio(timed(lambda: parse_plan(text, "p")), timed(lambda: json.loads(as_json)))
    # json on the rows alone is 1; the header of some 170 keys, read with the line of each, costs as much again, and
    # checking every column, the digest and what the rows say of each other the rest
    rows.at_most("plan read / json.loads", found, 3, seconds)
    broken = text.replace("0.005000, ", "fast, ", 1)

    def read_broken() -> None:
        try:
            parse_plan(broken, "p")
        except StackerError:
            return

    found, seconds = ratio(timed(read_broken), timed(lambda: json.loads(as_json)))
    rows.at_most("broken plan read with line numbers / json.loads", found, 8, seconds)
    assert replace(parse_plan(text, "p"), digest="") == plan
    read_edited()


def long_plans(folder: Path, rows: Rows) -> None:
    """The whole command for 100,000 frames and for 1,000."""
    request = folder / "huge.yaml"
    request.write_text(FRAMES_300, encoding="utf-8")
    seconds, megabytes = {}, {}
    for name, depth_mm in (("1,000", "18"), ("10,000", "187"), ("100,000", "1873")):
        changes = [
            f"subject.depth_mm={depth_mm}", "rig.working_distance_mm=5000", "rail.travel_mm=2000",
            "rail.soft_limits_mm=[0, 2000]", "subject.zones=[]",
        ]  # fmt: skip
        code = (
            "import sys, resource\nfrom stacker.cli.main import main\n"
            "try:\n    main(sys.argv[1:])\nexcept SystemExit as stop:\n    assert not stop.code\n"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
        )
        arguments = [sys.executable, "-c", code, "plan", str(request), "--quiet", "-o", str(folder / "huge.plan.yaml")]
        for change in changes:
            arguments += ["--set", change]
        times = []
        for _ in range(3):
            start = time.perf_counter()
            done = subprocess.run(arguments, check=True, capture_output=True, text=True)
            times.append(time.perf_counter() - start)
        seconds[name], megabytes[name] = statistics.median(times), float(done.stdout)
    for name, median in seconds.items():
        print(f"{'plan of ' + name + ' frames, whole command':<58} {median:8.2f} s, {megabytes[name]:.0f} MB")
    rows.at_most("plan of 100,000 frames, whole command", seconds["100,000"], 2, unit=" s")
    rows.at_most("its memory", megabytes["100,000"], 200, unit=" MB")


def panels(folder: Path, rows: Rows) -> None:
    """A plan of 10 x 10 panels of 1,000 frames each, over one of a single stack."""
    request = folder / "panels.yaml"
    request.write_text(FRAMES_300, encoding="utf-8")
    program = [str(Path(sys.executable).with_name("stacker"))]
    one = [*program, "plan", str(request), "--quiet", "-o", str(folder / "panels.plan.yaml")]
    for change in ("subject.depth_mm=18", "rig.working_distance_mm=5000"):
        one += ["--set", change]
    found, seconds = ratio(lambda: process([*one, "--set", "panels={across: 10, down: 10}"]), lambda: process(one), 5)
    rows.at_most("plan of 100 panels of 1,000 frames / of one", found, 1.5, seconds)


def of_pictures(folder: Path, rows: Rows) -> None:
    """What looks at pictures and hands them over."""
    import pictures

    found, seconds = pictures.look(folder, ratio, timed)
    rows.at_most("a picture of 24 MP looked into / Pillow decodes it", found, 3, seconds)
    found, seconds = pictures.survey(ratio, timed)
    rows.at_most("survey of 60 frames told / five medians of them", found, 6, seconds)
    found, seconds = pictures.sort(folder, ratio, timed)
    rows.at_most("300 pictures sorted / read once for a checksum", found, 6, seconds)


def main() -> None:
    """Print all ratios."""
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, {time.strftime('%Y-%m-%d')}")
    rows = Rows()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sys.path.insert(0, str(Path(__file__).parent))
        whole_commands(folder, rows)
        plan_files(folder, rows)
        long_plans(folder, rows)
        panels(folder, rows)
        otf(rows)
        of_pictures(folder, rows)
        if sys.platform != "win32":  # needs a pseudo-terminal
            import host_time

            what = "drive, host time a frame / journal and round trips"
            rows.at_most(what, host_time.measure(folder), host_time.GOAL)
    if "--check" in sys.argv[1:] and rows.far_off:
        sys.exit("Far past the goal:\n  " + "\n  ".join(rows.far_off))


if __name__ == "__main__":
    main()
