"""A controller that starts anew in the middle of a run: at any instant, its greeting heard or lost, queried or not."""

import random
from dataclasses import replace

import pytest
from driving.runs import make_job, records, run
from rail.gcode_board import Board, Faults, Manners
from rail.test_gcode_runs import FRONT, QUERY, WORDS, places_mm

from stacker.documents.rail_link import Shutter
from stacker.driving import bench
from stacker.driving.run_options import RunOptions
from stacker.errors import StackerError
from stacker.rail.link import Link

PIECE_MM = 2.4  # a second at 3 mm/s and 15 mm/s^2: 3 (1 - 0.2)
DWELL = replace(WORDS, arrival="dwell")
MANNERS = Manners(boot_s=1.0)


@pytest.fixture
def drive_on(monkeypatch, tmp_path):
    """Drive a small plan on a board; returns board, job, what ended the run and when the host said so."""

    def driven(faults, *, words, manners=MANNERS, count=8, pulse_s=0.1, retreat=0, **board_options):
        for left in tmp_path.iterdir():
            left.unlink()
        board = Board(faults=faults, manners=manners, start_mm=40.0 + retreat / 1600, **board_options)
        monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
        job = make_job(tmp_path, count=count, link=words, shutter=Shutter(pulse_s=pulse_s), delay_s=0.02)
        job = replace(job, pace=replace(job.pace, recycle_s=0.0))
        try:
            run(job, run_options=RunOptions(yes=True, rail_at=FRONT + retreat, front_at=FRONT))
        except StackerError as error:
            return board, job, error
        return board, job, None

    return driven


def assert_safe_and_true(board, job, ended, *, retreat=0):
    """Never beyond the run's range by more than a piece, no frame confirmed that is not there, the last word true."""
    wanted = places_mm(job)
    low, high = board.reached_mm
    begin_mm = 40.0 + retreat / 1600
    assert min(wanted[0] - 0.02, begin_mm) - PIECE_MM <= low
    assert high <= max(wanted[-1], begin_mm) + PIECE_MM
    taken = [place for place, resting in board.exposures() if resting]
    for record in records(job, "confirmed"):
        at_mm = wanted[record["frame"] - 1]
        assert any(abs(place - at_mm) <= 1e-4 for place in taken), (record, taken)
    if ended is None:
        return
    assert not board.closed or board.faults.unplug_at
    said = str(ended)
    if "at rest" in said:
        assert board.rests_s <= board.clock.now()
        if "position is lost" not in said and "is at rest at" in said:
            at_mm = float(said.split("is at rest at ")[1].split(" mm", maxsplit=1)[0])
            assert board.place_mm(board.clock.now()) == pytest.approx(at_mm, abs=1e-3)
    assert "does not answer; it stops by itself" not in said


def moments(board):
    """An instant in a move, one while the rail settles, and one with the contact closed, of the middle of a run."""
    move = board.moves[len(board.moves) // 2]
    closed_s, opened_s = next(
        (a, b) for (a, on), (b, _) in zip(board.contact_s, board.contact_s[1:], strict=False) if on and a > move.ends_s
    )
    return {
        "moving": (move.begins_s + move.ends_s) / 2,
        "settling": (move.ends_s + closed_s) / 2,
        "settled": closed_s - 0.17,
        "contact closed": (closed_s + opened_s) / 2,
    }


@pytest.mark.parametrize("words", [WORDS, QUERY, DWELL], ids=["reckoned", "queried", "dwell"])
@pytest.mark.parametrize("silent", [False, True], ids=["greeting", "greeting lost"])
@pytest.mark.parametrize("moment", ["moving", "settling", "settled", "contact closed"])
def test_a_reset_ends_the_run_and_rams_nothing(drive_on, words, silent, moment):
    board, _, ended = drive_on(Faults(), words=words)
    assert ended is None
    at_s = moments(board)[moment]
    board, job, ended = drive_on(Faults(reset_at_s=at_s, silent_reset=silent), words=words)
    assert board.resets_s == [at_s]
    assert_safe_and_true(board, job, ended)
    assert ended is not None
    assert len(records(job, "confirmed")) < job.count
    if moment == "contact closed":
        confirmed = {record["frame"] for record in records(job, "confirmed")}
        shot = [record["frame"] for record in records(job, "intent")][-1]
        assert shot not in confirmed


def test_with_a_query_a_reset_in_no_time_while_the_contact_is_closed_confirms_nothing(drive_on):
    board, *_ = drive_on(Faults(), words=QUERY)
    at_s = moments(board)["contact closed"]
    instant = replace(MANNERS, boot_s=0.0)
    board, job, ended = drive_on(Faults(reset_at_s=at_s, silent_reset=True), words=QUERY, manners=instant)
    assert "count" in ended.code
    assert records(job, "intent")[-1]["frame"] not in {record["frame"] for record in records(job, "confirmed")}


def test_a_reset_shorter_than_a_long_exposure_is_noticed_by_a_question(drive_on):
    """The contact is held for a second, and the start takes 0.3 s: without a question everything would look well."""
    words = replace(WORDS, greeting=())
    quick = replace(MANNERS, boot_s=0.3)
    board, *_ = drive_on(Faults(), words=words, pulse_s=1.0)
    at_s = moments(board)["contact closed"]
    board, job, ended = drive_on(Faults(reset_at_s=at_s), words=words, manners=quick, pulse_s=1.0)
    assert ended is not None
    assert records(job, "intent")[-1]["frame"] not in {record["frame"] for record in records(job, "confirmed")}


@pytest.mark.parametrize("bytes_in", range(0, 15, 3))
def test_a_reset_at_any_byte_of_a_line_or_of_an_answer(drive_on, bytes_in):
    board, *_ = drive_on(Faults(), words=WORDS)
    number = [n for n, line in enumerate(board.lines, start=1) if line.startswith("G1")][4]
    board, job, ended = drive_on(Faults(reset_in_line=(number, bytes_in)), words=WORDS)
    assert board.resets_s
    assert_safe_and_true(board, job, ended)
    assert ended is not None
    # an answer to a query, cut after so many bytes, and the greeting right behind it
    board, *_ = drive_on(Faults(), words=QUERY)
    quick = replace(MANNERS, boot_s=0.5)
    at_s = moments(board)["settling"]
    board, job, ended = drive_on(Faults(reset_at_s=at_s + bytes_in * 10 / 115_200), words=QUERY, manners=quick)
    assert_safe_and_true(board, job, ended)
    assert ended is not None


def test_what_forgot_its_place_unnoticed_moves_by_no_more_than_the_piece(drive_on):
    """Neither greeting nor query, and it starts in no time: still every piece is told where it begins."""
    words = replace(WORDS, greeting=())
    board, *_ = drive_on(Faults(), words=words)
    at_s = moments(board)["settled"]
    instant = replace(MANNERS, boot_s=0.0)
    board, job, ended = drive_on(Faults(reset_at_s=at_s, silent_reset=True), words=words, manners=instant)
    assert board.resets_s == [at_s]
    assert ended is None  # nobody can know; but everything is in its place
    assert_safe_and_true(board, job, ended)
    assert [place for place, _ in board.exposures()] == pytest.approx(places_mm(job), abs=1e-4)


def test_the_host_waits_the_longest_move_out_before_it_speaks_of_rest(drive_on):
    """The acknowledgement of a long piece is lost; the line was taken all the same, and the rail sets off late."""
    late = {"begins_after_s": 2.9, "retreat": 16_000, "words": replace(WORDS, arrival_margin_s=1.0)}
    board, *_ = drive_on(Faults(), **late)
    number = [n for n, line in enumerate(board.lines, start=1) if line.startswith("G1")][1]
    board, job, ended = drive_on(Faults(lost_answer={number}), **late)
    assert board.lines[number - 1].startswith("G1")
    assert ended is not None
    assert "The rail may still be moving." in str(ended)
    assert "position is lost" in str(ended)
    assert board.rests_s <= board.clock.now()
    assert_safe_and_true(board, job, ended, retreat=16_000)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(300))
def test_a_reset_at_a_random_instant(drive_on, seed):
    chance = random.Random(seed)
    words = chance.choice((WORDS, QUERY, DWELL, replace(QUERY, arrival="dwell")))
    words = replace(words, arrival_margin_s=chance.uniform(0.2, 0.6), greeting=chance.choice((words.greeting, ())))
    retreat = chance.choice((0, 0, 16_000, -16_000))
    manners = Manners(
        boot_s=chance.uniform(0.3, 2.5),
        status_every_s=chance.choice((0.0, 0.0, 0.37)),
        ending=chance.choice(("", " P15 B3")),
        in_one_line=chance.choice((False, True)),
    )
    options = {
        "words": words,
        "manners": manners,
        "retreat": retreat,
        "pulse_s": chance.choice((0.1, 0.4)),
        "begins_after_s": chance.uniform(0, 0.1),
        "answers_after_s": chance.uniform(0.002, 0.03),
    }
    board, job, ended = drive_on(Faults(), **options)
    assert ended is None
    first_s, last_s = board.moves[0].begins_s, board.contact_s[-1][0]
    kind = chance.choice(("anywhere", "moving", "settling", "contact closed"))
    at_s = chance.uniform(first_s, last_s) if kind == "anywhere" else moments(board)[kind] + chance.uniform(-0.04, 0.04)
    silent = chance.random() < 0.5
    board, job, ended = drive_on(Faults(reset_at_s=at_s, silent_reset=silent), **options)
    assert board.resets_s == [at_s]
    assert_safe_and_true(board, job, ended, retreat=retreat)
