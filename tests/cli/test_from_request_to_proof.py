"""The whole life of a stack: request, plan, a run past an obstacle, what its pictures prove, what is taken again."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from cli.look_bench import RIG, planned
from darkroom.tethered import openings, send_pictures

FRONT_AT = 64_000  # 20 mm
OBSTACLE_AT = 66_400  # 0.75 mm into the subject
TEN = 1_935_698_400.0


@pytest.fixture
def bench(tmp_path, monkeypatch, stacker):
    """Drive a plan on the simulated rail, and photograph what it did from where the carriage truly stood."""
    monkeypatch.chdir(tmp_path)
    Path("card").mkdir()
    plan, taken = planned(stacker, tmp_path, depth_mm=1.4), 0

    def drive(*words, options=""):
        nonlocal taken
        log = Path(f"rail{taken}.log")
        url = f"sim://bench?time_scale=inf&start=60000&log={log}{options}"
        ran = stacker("drive", "moss.plan.yaml", "--go", "--yes", "--front-at-mm", "20", "--url", url, *words)
        assert ran.code == 0, ran.err
        opened, began_s = openings(log, lambda: True), TEN + 100 * taken
        taken = send_pictures(
            plan, RIG, "rough", opened, Path("card"), front_at=FRONT_AT, began_s=began_s, counter=taken
        )
        return taken

    return plan, drive


def test_a_stalled_rail_is_proved_by_the_pictures_and_what_it_spoilt_is_taken_again(bench, stacker):
    plan, drive = bench
    count = len(plan.frames)
    assert drive(options=f"&stall_at={OBSTACLE_AT}") == count  # nothing told the rail
    journals = sorted(str(path) for path in Path().glob("moss-*.run.jsonl"))
    plain = stacker("verify", "card", "--journal", *journals)
    assert plain.code == 0, plain.out  # every frame is there, by times and numbers
    proof = stacker("verify", "card", "--journal", *journals, "--look", "--page", "page.html")
    assert proof.code == 1
    stops = [FRONT_AT + stop for stop in plan.frames.position_microsteps]
    first = next(frame for frame, stop in enumerate(stops, start=1) if stop > OBSTACLE_AT)
    assert f"frames {first + 1}-{count} are as frame {first}: the plane of focus stood still" in proof.out
    # it came a part of the way to the first of them
    came = (OBSTACLE_AT - stops[first - 2]) / (stops[first - 1] - stops[first - 2])
    said = re.search(rf"{first - 1} to {first} is (\S+) of the planned step \((\S+)\)", proof.out)
    assert abs(float(said[1]) - came) < 3 * float(said[2])
    assert "still getting sharper at frame" in proof.out  # what lies behind the obstacle
    assert f"--frames {first}-{count} " in proof.err
    assert "are as frame" in Path("page.html").read_text(encoding="utf-8")

    # somebody takes the obstacle away, focuses anew, and takes the rest again
    assert drive("--frames", f"{first}-{count}") == count + count - first + 1
    journals = sorted((str(path) for path in Path().glob("moss-*.run.jsonl")), key=os.path.getmtime)
    named = [word for journal in journals for word in ("--journal", journal)]
    whole = stacker("verify", "card", *named, "--look", "--json")
    assert whole.code == 0, whole.out
    told = stacker("sort", "card", *named, "--into", "blend", "--go")
    assert told.code == 0, told.err
    assert len([*Path("blend").rglob("*.jpg")]) == count
    (order,) = Path("blend").rglob("depth_order.csv")
    text = order.read_text(encoding="utf-8")
    assert f"P_{first - 1:04}.jpg" in text
    assert f"P_{first:04}.jpg" not in text  # its second picture stands for the first spoilt frame
    assert f"P_{count + 1:04}.jpg" in text
