"""The profiles of the page on G-code controllers, each on a board that behaves as the page says."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from driving.runs import make_job, records, run
from rail.gcode_board import Board, Manners
from rail.test_gcode_runs import FRONT, places_mm
from rails import profile_text

from stacker.documents.loading import load_rail
from stacker.documents.rail_link import Shutter
from stacker.driving import bench
from stacker.driving.job import link_of
from stacker.driving.run_options import RunOptions
from stacker.rail.link import Link

PAGE = Path(__file__).parents[2] / "hardware_notes" / "gcode_controllers.md"
PROFILES = dict(
    re.findall(r"^([A-Z]):\n```yaml\n(.*?)```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
)
ROWS = re.findall(r"^\| (.+) \| ([A-Z]) \|$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
WORDS = Manners(taken="ok", bad="error: 2", greeting="hello, third edition")
BEHAVIOURS = {
    "acknowledges a line at once, tells": WORDS,
    "acknowledges a line at once, cannot": WORDS,
    "acknowledges everything at once": replace(WORDS, dwell="at once"),
    "acknowledges a move only when it has ended": replace(WORDS, acknowledges_moves="ended"),
    "starts locked": replace(WORDS, starts_locked=True),
    "forgets its settings": replace(WORDS, remembers=False),
    "starts slowly": replace(WORDS, boot_s=5.5, swallows_first=True),
    "says that it does not know a word": replace(WORDS, notice_then_taken=True, contact=("M106 S255", "M107")),
    "acknowledges with more words": replace(WORDS, ending=" P15 B3", in_one_line=True, report="target"),
}
RAIL = f"""\
{profile_text()}link:
  url: COM4
"""


def test_every_profile_of_the_page_is_in_its_table_and_every_behaviour_is_tried():
    assert {profile for _, profile in ROWS} == set(PROFILES)
    assert len(ROWS) == len(BEHAVIOURS)
    assert all(any(told.startswith(begins) for told, _ in ROWS) for begins in BEHAVIOURS)


@pytest.mark.parametrize("begins", BEHAVIOURS)
def test_a_stack_on_a_board_that_behaves_so(tmp_path, monkeypatch, begins):
    profile = next(profile for told, profile in ROWS if told.startswith(begins))
    path = tmp_path / "rail.yaml"
    lines = "".join(f"  {line}\n" for line in PROFILES[profile].splitlines())
    path.write_text(RAIL + lines, encoding="utf-8")
    words = replace(link_of(load_rail(path).value).gcode, measured_10_mm=10.0)
    board = Board(manners=BEHAVIOURS[begins], begins_after_s=0.1)
    monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
    link = words
    job = make_job(tmp_path, count=8, link=link, shutter=Shutter(pulse_s=0.1), delay_s=0.02)
    run(job, run_options=RunOptions(yes=True, rail_at=FRONT, front_at=FRONT))
    assert [place for place, _ in board.exposures()] == pytest.approx(places_mm(job), abs=1e-4)
    assert all(resting for _, resting in board.exposures())
    assert len(records(job, "confirmed")) == 8


def test_another_boards_profile_is_found_out_before_a_frame_is_confirmed(tmp_path, monkeypatch):
    """The wrong words for the camera's output, on a board that acknowledges what it does not know."""
    path = tmp_path / "rail.yaml"
    text = PROFILES["G"].replace("M106 S255", "M8").replace("M107", "M9")
    path.write_text(RAIL + "".join(f"  {line}\n" for line in text.splitlines()), encoding="utf-8")
    words = replace(link_of(load_rail(path).value).gcode, measured_10_mm=10.0)
    board = Board(manners=BEHAVIOURS["says that it does not know a word"])
    monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
    link = words
    job = make_job(tmp_path, count=8, link=link, shutter=Shutter(pulse_s=0.1), delay_s=0.02)
    with pytest.raises(Exception, match=r"refused 'M9': what is 'M9'\?"):
        run(job, run_options=RunOptions(yes=True, rail_at=FRONT, front_at=FRONT))
    assert not board.moves
