"""``stacker rail`` and ``check`` with a controller that takes RS274/NGC words: measured once, tried, and warned of."""

import io
import json

import pytest
from rail.gcode_board import GREETING, Board, Manners
from rails import profile_text

from stacker.documents.loading import load_rail
from stacker.driving import bench
from stacker.rail.link import Link

PROFILE = f"""\
# my rail
{profile_text()}link:
  url: COM4
  dialect: gcode
  acknowledge: [taken]
  refuse: [bad]
  greeting: ["{GREETING}"]
  no_stop_accepted: true  # I know
"""
QUERY = "  position_query: 'where?'\n  position_reply: 'at {mm} mm'\n"


@pytest.fixture
def at_the_board(monkeypatch, tmp_path):
    """A profile's file, and a board that every opening of the port finds."""

    def prepared(manners=None, more="", **options):
        path = tmp_path / "words.rail.yaml"
        path.write_text(PROFILE + more, encoding="utf-8")
        board = Board(manners=manners or Manners(), **options)
        monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
        return path, board

    return prepared


@pytest.fixture
def typing(monkeypatch):
    return lambda text: monkeypatch.setattr("sys.stdin", io.StringIO(text))


def test_identify_times_the_answers_moves_nothing_and_advises_what_can_be_done(stacker, at_the_board):
    path, board = at_the_board(answers_after_s=0.03)
    told = stacker("rail", "identify", path)
    assert told.code == 0
    assert "acknowledgements take 30 ms" in " ".join(told.out.split())
    assert f"At opening it said: '{GREETING}'." in " ".join(told.out.split())
    assert "rail identify" in told.err
    assert "rail find" not in told.err
    assert not board.moves
    assert json.loads(stacker("rail", "identify", path, "--json").out)["result"]["answers"]["answer_s"] > 0.02


@pytest.mark.parametrize(
    ("manners", "arrival"), [(Manners(), "dwell"), (Manners(dwell="at once"), "margin")], ids=["waits", "at once"]
)
def test_identify_tries_a_millimetre_and_back_and_writes_what_it_saw(stacker, at_the_board, manners, arrival):
    path, board = at_the_board(manners, answers_after_s=0.02, begins_after_s=0.05)
    told = stacker("rail", "identify", path, "--go", "--yes", "--write")
    assert told.code == 0, told.err
    assert [round(move.end_mm, 4) for move in board.moves] == [39, 40]
    link = load_rail(path).value.link
    assert link.arrival == arrival
    assert link.answer_s == pytest.approx(0.02, abs=0.002)
    assert "# I know" in path.read_text(encoding="utf-8")
    if arrival == "dwell":
        # the board begins 50 ms late, and answers G92 and the dwell 20 ms late each
        assert link.move_extra_s == pytest.approx(0.02 + 0.05 + 0.02, abs=0.003)
    assert "--by-mm 10 --go" in told.err


@pytest.mark.parametrize(
    ("report", "text"), [("mm", "reports the true place on the way"), ("target", "proves no arrival")]
)
def test_identify_tells_whether_a_query_proves_the_arrival(stacker, at_the_board, report, text):
    path, _ = at_the_board(Manners(report=report), QUERY)
    told = stacker("rail", "identify", path, "--go", "--yes")
    assert text in " ".join(told.out.split())
    assert "--write writes them" in told.out
    assert load_rail(path).value.link.arrival == "margin"


def test_ten_millimetres_are_measured_once_and_kept_in_the_profile(stacker, at_the_board, typing):
    path, board = at_the_board()
    move = ("rail", "move", path, "--rail-at-mm", 40, "--by-mm", 10, "--go", "--yes")
    typing("nan\n9,9\n9.96\n")  # asked again until it is a number
    told = stacker(*move)
    assert told.code == 0, told.err
    assert "How far did it go" in told.err
    profile = load_rail(path).value
    assert profile.link.measured_10_mm == 9.96
    assert profile.link.measured_with == profile.travel_mark
    assert board.machine_mm == 40
    assert board.place_mm(board.clock.now()) == pytest.approx(50)


def test_a_sixth_of_the_way_is_told_and_not_kept(stacker, at_the_board, typing):
    path, board = at_the_board(Manners(steps_ratio=1 / 6))
    before = path.read_text(encoding="utf-8")
    typing("1.67\n")
    told = stacker("rail", "move", path, "--rail-at-mm", 40, "--by-mm", 10, "--go", "--yes")
    assert board.place_mm(board.clock.now()) == pytest.approx(40 + 10 / 6)
    assert told.code == 1
    assert "multiply the controller's steps a millimetre by 5.988" in told.err
    assert path.read_text(encoding="utf-8") == before


def test_who_did_not_measure_keeps_nothing(stacker, at_the_board, typing):
    path, _ = at_the_board()
    before = path.read_text(encoding="utf-8")
    for typed in ("0\n", ""):
        typing(typed)
        told = stacker("rail", "move", path, "--rail-at-mm", 40, "--by-mm", 10, "--go", "--yes")
        assert told.code == 0
        assert "refuses this profile" in told.err
    assert path.read_text(encoding="utf-8") == before


def test_another_lead_asks_for_the_measurement_anew(tmp_path):
    text = PROFILE + "  measured_10_mm: 10\n  measured_with: '573aadd8'\n"
    path = tmp_path / "rail.yaml"
    path.write_text(text, encoding="utf-8")
    assert bench_words(path).measured_10_mm == 10
    path.write_text(text.replace("lead_mm: 2", "lead_mm: 1"), encoding="utf-8")
    assert bench_words(path).measured_10_mm is None


def bench_words(path):
    from stacker.driving.job import link_of

    return link_of(load_rail(path).value).gcode


def test_check_warns_loudly_of_what_a_run_could_not_know(stacker, at_the_board):
    path, _ = at_the_board()
    told = stacker("check", path)
    assert "cannot be asked where it is" in told.err
    assert "nobody has measured 10 mm" in told.err
    path, _ = at_the_board(more=QUERY + "  keeps_motor_on: true\n")
    assert "cannot be asked" not in stacker("check", path).err
