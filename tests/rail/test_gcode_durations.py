"""Plans for a controller that only acknowledges take as long as they say, but for what nobody knows beforehand."""

from __future__ import annotations

import pytest
from driving.runs import run
from rail.gcode_board import Board
from rail.test_gcode_runs import MEASURED
from rails import rail_block

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan, write_plan
from stacker.driving import bench
from stacker.driving.job import job_of
from stacker.driving.run_options import RunOptions
from stacker.planning.planner import plan_of
from stacker.rail.link import Link

REQUEST = """
rig: {kind: measured, magnification: 0.87, f_number: 5.6, working_distance_mm: 60}
camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000], lag_s: 0.05}
light: {kind: flash, exposure_s: 0.005}
subject: {depth_mm: 6}
RAIL  settle_s: 0.8
  link: {url: bench, dialect: gcode, acknowledge: [taken], no_stop_accepted: true, wake_s: 1, MEASURED}
""".replace("MEASURED", MEASURED).replace("RAIL", rail_block())
ANSWERS_S = 0.010 * 4 + 0.004  # four answers of the board to a frame, and a poll of its position


@pytest.mark.parametrize(
    "changes",
    [
        [],
        ["order=back_to_front"],  # six millimetres in pieces of a second before the first frame
        ["rail.shutter.pulse_s=0.5"],  # the host holds the contact, and the rail meanwhile
        ["rail.shutter.bulb=true", "light.exposure_s=1.5"],
        ["light.recycle_s=4"],
        ["rail.link.arrival_margin_s=0.1"],
    ],
    ids=str,
)
def test_moves_in_pieces_margins_and_the_held_contact_are_in_the_plan(tmp_path, monkeypatch, changes):
    path = tmp_path / "wing.plan.yaml"
    loaded = load_request("wing.yaml", changes, text=REQUEST)
    write_plan(plan_of(loaded.value, loaded.assumed), path)
    job = job_of(read_plan(path), path)
    board = Board()
    monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
    outcome = run(job, run_options=RunOptions(yes=True, rail_at=64_000, front_at=64_000))
    # in each frame up to five answers more, and one for each further piece of a move
    assert 0 <= outcome.duration_s - job.duration_s < job.count * 1.3 * ANSWERS_S + 0.2
