"""The simulated rail as a process of its own: spoken to over a socket and a pseudo-terminal, by ``stacker drive``."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from contextlib import contextmanager

import pytest

from stacker.rail.line import LineController
from stacker.rail.link import open_link
from stacker.rail.rail import Rail
from stacker.rail.settings import RailSettings

SETTINGS = RailSettings(
    microsteps_per_mm=1600.0,
    microsteps_per_turn=3200,
    travel=128_000,
    soft_low=0,
    soft_high=128_000,
    speed=20_000,
    acceleration=200_000,
    take_up=0,
)


@contextmanager
def served(*options, query=""):
    command = [sys.executable, "-m", "stacker", "rail", "simulate", f"sim://bench?{query}", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield process.stdout.readline().strip()
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=60) == 0
        process.stdout.close()
        process.stderr.close()


def talk(address):
    """Identify, take over, move there and back again."""
    controller = LineController(open_link(address, 115_200))
    identity = controller.connect()
    controller.take_over()
    rail = Rail(controller, SETTINGS)
    rail.set_up()
    rail.narrow(60_000, 70_000)
    for target in (64_400, 64_000):
        rail.move(target)
        assert controller.where().position == target
    controller.close()
    return identity


@pytest.mark.skipif(sys.platform == "win32", reason="ends the process with a POSIX signal")
@pytest.mark.parametrize("how", [(), ("--pty",)], ids=["socket", "pty"])
def test_one_rail_for_several_hosts_one_after_the_other(how):
    with served(*how) as address:
        assert address.startswith("/dev/" if how else "socket://127.0.0.1:")
        assert talk(address).boot == talk(address).boot == 1


@pytest.mark.skipif(sys.platform == "win32", reason="ends the process with a POSIX signal")
def test_a_plan_is_driven_over_a_socket_and_exposes_where_it_should(tmp_path, plans):
    plan = tmp_path / "beetle.plan.yaml"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    log = tmp_path / "rail.log"
    with served(query=f"log={log}&exposure_s=0.005") as address:
        drive = [sys.executable, "-m", "stacker", "drive", str(plan), "--go", "--yes", "--frames", "1-2"]
        front = ["--front-at-mm", "40", "--url", address, "--json"]
        done = subprocess.run([*drive, *front], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["result"]["frames"] == [1, 2]
    events = [json.loads(line) for line in log.read_text().splitlines()]
    assert not [event for event in events if event["event"] == "blur"]
    journal = json.loads(next(tmp_path.glob("*.run.jsonl")).read_text().splitlines()[0])
    column = journal["plan"]["columns"].index("position_microsteps")
    planned = [64_000 + row[column] for row in journal["plan"]["rows"][:2]]
    assert [event["position_microsteps"] for event in events if event["event"] == "shutter"] == planned
