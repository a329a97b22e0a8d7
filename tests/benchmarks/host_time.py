"""Host time a frame in ``drive``, against a journal line and a round trip of the same bytes: the last row of the goals.

A controller on a pseudo-terminal answers at once, and waiting for motion, settling and shutter is skipped. A whole run
is timed; then the very bytes that it sent are sent again, by bare reads and writes, and its journal lines written and
synced.
``python tests/benchmarks/host_time.py`` prints both and their ratio.
"""

from __future__ import annotations

import binascii
import math
import os
import statistics
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from stacker.documents.rail_link import Link, Shutter
from stacker.driving.drive import drive
from stacker.driving.durable import DurableFile
from stacker.driving.job import Job, Pace
from stacker.driving.person import Person
from stacker.driving.run_options import RunOptions
from stacker.rail import link as link_module
from stacker.rail.clock import ScaledClock
from stacker.rail.link import Link as OpenLink
from stacker.rail.settings import RailSettings

FRAMES, RUNS = 150, 7
GOAL = 2.0


def answer_for_ever(near: int) -> None:
    """A controller that has always done already what it is asked to do."""
    place, shot, buffer = "64000", "0", b""
    while True:
        buffer += os.read(near, 4096)
        while b"\n" in buffer:
            line, _, buffer = buffer.partition(b"\n")
            words = line.decode("ascii").split(" ")[:-1]
            if len(words) < 5:
                continue
            verb = words[4]
            if verb == "move":
                place = words[5]
            if verb == "fire":
                shot = words[5]
            said = {
                "identify": "1 0001 3200 00000000 bench",
                "where": f"rest known {place} arrived",
                "fire": f"{shot} fired closed",
                "shot": f"{shot} fired closed",
            }.get(verb, "")
            body = f"say {words[2]} {words[3]} ok {said}".rstrip().encode("ascii")
            os.write(near, body + b" %04X\n" % binascii.crc_hqx(body, 0xFFFF))


def job_on(port: str, folder: Path) -> Job:
    """A stack whose moves take a few microseconds."""
    positions = tuple(48 * (n - 1) for n in range(FRAMES))
    return Job(
        name="host time", digest="d", profile_digest="p", path=folder / "x.plan.yaml", positions=positions,
        focus_um=tuple(map(float, positions)), dof_um=(50.0,) * FRAMES, exposure_s=(1e-6,) * FRAMES,
        start_s=(0.0,) * FRAMES, duration_s=1.0, columns=("frame", "focus_um", "position_microsteps"),
        rows=tuple([n + 1, float(place), place] for n, place in enumerate(positions)), direction=1, front_at=64_000,
        refocus_error_um=None, clearance_um=None,
        rail=RailSettings(
            microsteps_per_mm=1600.0, microsteps_per_turn=3200, travel=128_000, soft_low=0, soft_high=128_000,
            speed=10**9, acceleration=10**12, take_up=30,
        ),
        rail_name="bench", link=Link(url=port),
        shutter=Shutter(pulse_s=0.1, sync_s=0.1), pace=Pace(settle_s=0.0, contact_s=0.1), hold_after=True,
    )  # fmt: skip


def timed_run(port: str, folder: Path, number: int) -> tuple[list[float], list[tuple[str, bytes]]]:
    """Seconds of each frame but the first, and what was written to line and disk for them, in order."""
    done: list[tuple[str, bytes]] = []
    times: list[float] = []

    class Noting(DurableFile):
        def write(self, data: bytes) -> None:
            done.append(("write", data))
            super().write(data)

        def sync(self) -> None:
            done.append(("sync", b""))
            super().sync()

    send = OpenLink.send

    def noting_send(link: OpenLink, data: bytes) -> None:
        done.append(("send", data))
        send(link, data)

    def report(progress: object) -> None:
        times.append(time.perf_counter())
        done.append(("frame", b""))

    system_clock = link_module.SystemClock
    OpenLink.send = noting_send  # type: ignore[method-assign]
    link_module.SystemClock = lambda: ScaledClock(math.inf)  # type: ignore[assignment,misc]
    try:
        person = Person(confirm=lambda _: True, report=report)
        options = RunOptions(yes=True, journal=folder / f"{number}.jsonl")
        drive(job_on(port, folder), options, person, opener=Noting)
    finally:
        OpenLink.send = send  # type: ignore[method-assign]
        link_module.SystemClock = system_clock  # type: ignore[misc]
    marks = [place for place, (what, _) in enumerate(done) if what == "frame"]
    return [there - here for here, there in pairwise(times)], done[marks[0] + 1 : marks[-1] + 1]


def timed_replay(port: str, folder: Path, number: int, acts: list[tuple[str, bytes]]) -> list[float]:
    """Seconds of each frame for the same bytes with nothing around them."""
    line = os.open(port, os.O_RDWR | os.O_NOCTTY)
    disk = os.open(folder / f"{number}.replay", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    sync = getattr(os, "fdatasync", os.fsync)
    times = [time.perf_counter()]
    for what, data in acts:
        if what == "frame":
            times.append(time.perf_counter())
        elif what == "write":
            os.write(disk, data)
        elif what == "sync":
            sync(disk)
        else:
            os.write(line, data)
            while not os.read(line, 4096).endswith(b"\n"):
                pass
    os.close(line)
    os.close(disk)
    return [there - here for here, there in pairwise(times)]


def measure(folder: Path, runs: int = RUNS, tell: Callable[[str], None] = lambda _: None) -> float:
    """Median frame of the run over median frame of the replay."""
    near, far = os.openpty()
    tty.setraw(far)
    port = os.ttyname(far)
    child = os.fork()
    if child == 0:
        answer_for_ever(near)
    try:
        ours: list[float] = []
        floor: list[float] = []
        for number in range(runs):
            frames_s, acts = timed_run(port, folder, number)
            ours += frames_s
            floor += timed_replay(port, folder, number, acts)
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
        os.close(near)
        os.close(far)
    ours_s, floor_s = statistics.median(ours), statistics.median(floor)  # of frames: a stall of the disk is one of many
    tell(f"host time a frame {ours_s * 1000:.3f} ms, the same bytes alone {floor_s * 1000:.3f} ms")
    return ours_s / floor_s


def main() -> None:
    """Print the ratio and the goal."""
    if sys.platform == "win32":
        sys.exit("needs a pseudo-terminal")
    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), tell=print)
    print(f"drive, host time a frame / journal and round trips of the same bytes: {found:.2f}, goal {GOAL:g}")


if __name__ == "__main__":
    main()
