"""The plan's clock for controllers of RS274/NGC words: within a hundredth of what a run takes, however slow it answers.

What a controller takes is measured as ``stacker rail identify`` does, on the board itself.
"""

import pytest
from driving.runs import gcode_link, run
from rail.gcode_board import Board
from rail.test_gcode_durations import REQUEST

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan, write_plan
from stacker.driving import bench
from stacker.driving.job import job_of
from stacker.driving.run_options import RunOptions
from stacker.planning.planner import plan_of
from stacker.rail.gcode import GcodeController
from stacker.rail.gcode_trial import try_moves
from stacker.rail.link import Link

SHARE = 0.01
QUERY = ("rail.link.position_query='where?'", "rail.link.position_reply='at {mm} mm'")


def measured(**options):
    """The keys that `identify` would write."""
    board = Board(**options)
    link = Link(board, board.clock, longest=512)
    controller = GcodeController(link, gcode_link(), microsteps_per_mm=1600)
    controller.connect()
    controller.take_over()
    found = try_moves(controller, -1600, speed=4800, acceleration=24_000)
    return [f"rail.link.answer_s={found.answer_s:.3f}", f"rail.link.move_extra_s={found.move_extra_s:.3f}"]


@pytest.mark.parametrize("options", [(0.003, 0.0), (0.04, 0.05)], ids=["quick", "slow"])
@pytest.mark.parametrize("arrival", ["margin", "dwell"])
@pytest.mark.parametrize("query", [(), QUERY], ids=["reckoned", "queried"])
@pytest.mark.parametrize("changes", [(), ("light.exposure_s=0.4",), ("light.recycle_s=4",)], ids=str)
def test_promised_and_taken_time_agree(tmp_path, monkeypatch, options, arrival, query, changes):
    answers_after_s, begins_after_s = options
    times = {"answers_after_s": answers_after_s, "begins_after_s": begins_after_s}
    loaded = load_request(
        "wing.yaml", [f"rail.link.arrival={arrival}", *measured(**times), *query, *changes], text=REQUEST
    )
    path = tmp_path / "wing.plan.yaml"
    write_plan(plan_of(loaded.value, loaded.assumed), path)
    job = job_of(read_plan(path), path)
    board = Board(**times)
    monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
    outcome = run(job, run_options=RunOptions(yes=True, rail_at=64_000, front_at=64_000))
    assert outcome.duration_s == pytest.approx(job.duration_s, rel=SHARE)
    assert all(resting for _, resting in board.exposures())


def test_by_dwell_a_stack_is_done_in_two_thirds_of_the_time(tmp_path, monkeypatch):
    taken_s = {}
    for arrival in ("margin", "dwell"):
        loaded = load_request("wing.yaml", [f"rail.link.arrival={arrival}"], text=REQUEST)
        path = tmp_path / f"{arrival}.plan.yaml"
        write_plan(plan_of(loaded.value, loaded.assumed), path)
        job = job_of(read_plan(path), path)
        board = Board(begins_after_s=0.0026, answers_after_s=0.0026)  # as one of them was measured
        monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))  # noqa: B023
        (tmp_path / "demo.run.jsonl").unlink(missing_ok=True)
        taken_s[arrival] = run(job, run_options=RunOptions(yes=True, rail_at=64_000, front_at=64_000)).duration_s
    assert taken_s["dwell"] / taken_s["margin"] < 0.75
