"""Whole plans through the dialect gcode, against a controller that only acknowledges, and loses or delays even that."""

import random
import re
import socket
import threading
from dataclasses import replace
from itertools import pairwise

import pytest
from driving.runs import gcode_link, make_job, records, run
from hardware_notes.test_gcode import PRINTED_MM, accepted
from rail.gcode_board import GREETING, Board, Faults

from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan, write_plan
from stacker.documents.rail_link import Shutter
from stacker.documents.templates import template
from stacker.driving import bench, dry_run
from stacker.driving.job import Pace, job_of
from stacker.driving.run_options import RunOptions
from stacker.errors import StackerError
from stacker.planning.planner import plan_of
from stacker.rail.clock import SystemClock
from stacker.rail.link import Link

WORDS = gcode_link(refuse=("bad",), greeting=(GREETING,), measured_10_mm=10.0)
QUERY = replace(WORDS, position_query="where?", position_reply="at {mm} mm")
MEASURED = "measured_10_mm: 10, measured_with: '573aadd8'"  # of 1600 microsteps a mm and the default lines
FRONT_MM = 40.0
FRONT = 64_000
LANGUAGE = re.compile(r"(G21|G90|G94|M8|M9|G92 X-?\d+(\.\d+)?|G1 X-?\d+(\.\d+)? F\d+(\.\d+)?|where\?)")


@pytest.fixture
def drive_on(monkeypatch, tmp_path):
    """Drive a small plan on a board; returns the board, the job and what ended the run (None: it is complete)."""

    def driven(faults=None, *, words=WORDS, resume=False, count=6, retreat=0, **board_options):
        board = Board(faults=faults, **board_options)
        monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
        job = make_job(
            tmp_path,
            count=count,
            link=words,
            shutter=Shutter(pulse_s=0.1),
            delay_s=0.02,
        )
        run_options = (
            RunOptions(yes=True, refocused=True)
            if resume
            else RunOptions(yes=True, rail_at=FRONT + retreat, front_at=FRONT)
        )
        try:
            run(job, resume=resume, run_options=run_options)
        except StackerError as error:
            return board, job, error
        return board, job, None

    return driven


def places_mm(job):
    return [FRONT_MM + position * 0.625 / 1000 for position in job.positions]


def assert_sound(board, job, ended):
    """Every exposure at rest and at a place of the plan; what is confirmed was exposed; what ended it says why."""
    wanted = places_mm(job)
    exposures = board.exposures()
    taken = []
    for place_mm, resting in exposures:
        assert resting
        nearest = min(range(len(wanted)), key=lambda frame: abs(wanted[frame] - place_mm))
        assert place_mm == pytest.approx(wanted[nearest], abs=1e-4)  # a sixth of a microstep
        taken.append(nearest + 1)
    if not (job.path.parent / "demo.run.jsonl").exists():
        assert ended is not None
        assert not exposures
        return
    confirmed = [record["frame"] for record in records(job, "confirmed")]
    assert set(confirmed) <= set(taken)
    assert len(confirmed) == len(set(confirmed))
    if ended is None:
        assert confirmed == taken == list(range(1, job.count + 1))
    else:
        assert len(str(ended)) > 20
        assert records(job, "stop")
    assert all(LANGUAGE.fullmatch(line) for line in board.lines)
    contact = [line for line in board.lines if line in ("M8", "M9")]
    assert all(before == "M9" for before, line in pairwise(contact) if line == "M8")
    assert board.longest_s <= 1 + 1e-6
    assert not board.closed or board.faults.unplug_at  # nothing reaches a board whose cable is out


@pytest.mark.parametrize("words", [WORDS, QUERY], ids=["reckoned", "queried"])
@pytest.mark.parametrize("begins_after_s", [0.0, 0.3])
def test_a_plan_runs_whole(drive_on, words, begins_after_s):
    board, job, ended = drive_on(words=words, begins_after_s=begins_after_s)
    assert_sound(board, job, ended)
    assert ended is None


def test_a_plan_of_sixty_frames_after_a_long_way_to_its_front(drive_on):
    board, job, ended = drive_on(count=60, retreat=16_000, start_mm=50.0)
    assert_sound(board, job, ended)
    assert ended is None


def test_a_board_that_does_not_greet_runs_too(drive_on):
    assert drive_on(greets=False)[2] is None


def lines_of_a_run(drive_on, words, folder):
    board, _, ended = drive_on(words=words)
    assert ended is None
    for left in folder.iterdir():
        left.unlink()
    return len(board.lines)


SINGLE = {
    "lost line": lambda n: Faults(lost_line={n}),
    "lost answer": lambda n: Faults(lost_answer={n}),
    "late answer": lambda n: Faults(late_answer={n: 2.0}),
    "answer too late": lambda n: Faults(late_answer={n: 4.5}),
    "double answer": lambda n: Faults(double_answer={n: 0.02}),
    "late double": lambda n: Faults(double_answer={n: 0.7}),
    "refused": lambda n: Faults(refused={n}),
    "reset": lambda n: Faults(reset_before=n),
    "cable out": lambda n: Faults(unplug_at=n),
}
ASKED_AGAIN = {"lost line", "lost answer", "answer too late", "reset"}
MUST_END = {"lost line", "lost answer", "answer too late", "refused", "reset", "cable out"}


def go_through(drive_on, folder, kind, words, numbers):
    for number in numbers:
        board, job, ended = drive_on(SINGLE[kind](number), words=words)
        assert_sound(board, job, ended)
        again = number == 1 and kind in ASKED_AGAIN  # nothing counts yet: the first line is sent until it is taken
        assert ended is not None or kind not in MUST_END or again, (kind, number)
        if kind == "late answer":
            assert ended is None, (number, ended)
        for left in folder.iterdir():
            left.unlink()


@pytest.mark.parametrize("kind", SINGLE)
def test_one_fault_at_some_lines(drive_on, tmp_path, kind):
    count = lines_of_a_run(drive_on, WORDS, tmp_path)
    go_through(drive_on, tmp_path, kind, WORDS, random.Random(kind).sample(range(1, count), 8))


def test_a_double_answer_does_not_hide_that_the_shutters_line_was_lost(drive_on, tmp_path):
    """M9 is answered twice and M8 does not arrive: the second answer must not be taken for the one to M8."""
    board, *_ = drive_on()
    lines = [number for number, line in enumerate(board.lines, start=1) if line == "M8"]
    opened = [max(n for n in range(number) if board.lines[n - 1] == "M9") for number in lines]
    for number, before in zip(lines, opened, strict=True):
        for left in tmp_path.iterdir():
            left.unlink()
        board, job, ended = drive_on(Faults(double_answer={before: 0.02}, lost_line={number}))
        assert_sound(board, job, ended)
        assert ended is not None


@pytest.mark.campaign
@pytest.mark.parametrize("words", [WORDS, QUERY], ids=["reckoned", "queried"])
@pytest.mark.parametrize("kind", SINGLE)
def test_one_fault_at_every_line(drive_on, tmp_path, kind, words):
    # The very last line has nobody after it who would notice: its loss ends the run as its own, a double does not.
    go_through(drive_on, tmp_path, kind, words, range(1, lines_of_a_run(drive_on, words, tmp_path)))


@pytest.mark.campaign
@pytest.mark.parametrize("words", [WORDS, QUERY], ids=["reckoned", "queried"])
@pytest.mark.parametrize("seed", range(150))
def test_many_lost_and_late_acknowledgements(drive_on, words, seed):
    chance = random.Random(seed)
    share, longest_s = chance.choice((0.005, 0.02, 0.1)), chance.choice((2.5, 4))
    numbers = range(1, 400)
    faults = Faults(
        lost_line={n for n in numbers if chance.random() < share / 4},
        lost_answer={n for n in numbers if chance.random() < share / 4},
        late_answer={n: chance.uniform(0.02, longest_s) for n in numbers if chance.random() < 3 * share},
    )
    board, job, ended = drive_on(faults, words=words, count=20, begins_after_s=chance.uniform(0, 0.4))
    assert_sound(board, job, ended)
    if longest_s < words.acknowledge_s and not faults.lost_line and not faults.lost_answer:
        assert ended is None


def test_a_resume_starts_from_a_lost_position_and_takes_what_is_missing(drive_on, monkeypatch):
    board, job, ended = drive_on(Faults(lost_answer={28}))
    assert_sound(board, job, ended)
    assert ended is not None
    confirmed = {record["frame"] for record in records(job, "confirmed")}
    assert 0 < len(confirmed) < job.count
    again, _, ended = drive_on(resume=True, start_mm=FRONT_MM)  # refocused: the front is in focus here
    assert ended is None
    wanted = places_mm(job)
    taken = {min(range(job.count), key=lambda n: abs(wanted[n] - place)) + 1 for place, _ in again.exposures()}
    assert taken | confirmed == set(range(1, job.count + 1))
    assert all(resting for _, resting in again.exposures())
    declared = next(line for line in again.lines if line.startswith("G92"))
    assert declared == "G92 X40"


def test_a_resume_that_nobody_refocused_is_refused(drive_on, tmp_path, monkeypatch):
    _, job, _ = drive_on(Faults(lost_answer={28}))
    board = Board()
    monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
    with pytest.raises(StackerError, match="position was lost"):
        run(job, resume=True, run_options=RunOptions(yes=True))
    assert not board.moves


def test_the_dry_run_shows_the_very_lines(drive_on):
    board, job, _ = drive_on()
    rehearsed = dry_run.rehearse(job, front_at=FRONT, frames=range(1, job.count + 1))
    shown = [*rehearsed.set_up, *(line for _, lines in rehearsed.frames for line in lines)]
    # left out: what only asks whether it still answers, and naming the place where the person said the rail stands
    asked = [line for line in shown if line != "G21"]
    sent = [line for line in board.lines if line != "G21"]
    assert asked == [line for n, line in enumerate(sent) if n != sent.index("G92 X40")]
    text = dry_run.text(job, rehearsed, whole=False)
    assert "check code" not in text
    assert "G1 X40.03 F180" in text
    assert "Between them: 'G21', to hear whether it still answers." in text
    assert "position: this controller cannot be asked" in text
    locked = replace(job, link=replace(WORDS, unlock=("free",)))
    assert "After its greeting: 'free'." in dry_run.text(locked, rehearsed, whole=False)


class _Served:
    """The board at the other end of a socket, in real time, as any serial device."""

    def __init__(self):
        self.board = Board(clock=SystemClock(), exposure_s=0.01)
        self.server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self):
        with self.server:
            wire, _ = self.server.accept()
        with wire:
            wire.settimeout(0.002)
            while True:
                try:
                    data = wire.recv(1024)
                    if not data:
                        return
                    self.board.write(data)
                except TimeoutError:
                    pass
                if count := self.board.in_waiting:
                    wire.sendall(self.board.read(count))


def test_a_plan_over_a_real_port(tmp_path):
    served = _Served()
    words = replace(WORDS, wake_s=0.6, arrival_margin_s=0.05)
    job = make_job(
        tmp_path,
        count=3,
        link=replace(words, url=served.url),
        shutter=Shutter(pulse_s=0.05),
        delay_s=0.02,
        pace=Pace(settle_s=0.1),
    )
    run(job, run_options=RunOptions(yes=True, rail_at=FRONT, front_at=FRONT))
    served.thread.join(5)
    assert_sound(served.board, job, None)


def test_a_real_plan_takes_as_long_as_planned(tmp_path, monkeypatch):
    rail = template("rail")
    line = next(line for line in rail.splitlines() if line.startswith("link:"))
    link = f"link: {{url: bench, dialect: gcode, acknowledge: [taken], no_stop_accepted: true, wake_s: 1, {MEASURED}}}"
    (tmp_path / "rail.yaml").write_text(rail.replace(line, link), encoding="utf-8")
    text = template("measured").replace("recycle_s: 2", "recycle_s: 0")  # else the flash is what everything waits for
    line = next(line for line in text.splitlines() if line.startswith("# rail:"))
    (tmp_path / "wing.yaml").write_text(text.replace(line, "rail: rail.yaml"), encoding="utf-8")
    loaded = load_request(tmp_path / "wing.yaml")
    path = tmp_path / "wing.plan.yaml"
    write_plan(plan_of(loaded.value, loaded.assumed), path)
    job = job_of(read_plan(path), path)
    board = Board()
    monkeypatch.setattr(bench, "open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest))
    outcome = run(job, run_options=RunOptions(yes=True, rail_at=FRONT, front_at=FRONT))
    assert [place for place, _ in board.exposures()] == pytest.approx(places_mm(job), abs=1e-4)
    assert all(resting for _, resting in board.exposures())
    # Each frame adds four answers of 10 ms, a poll of 4 ms and a shutter pulse of 0.2 s that is waited for.
    assert 0 < outcome.duration_s - job.duration_s < job.count * 0.3


@pytest.mark.campaign
def test_an_independent_interpreter_understands_every_line_and_goes_where_the_plan_says(drive_on, tmp_path):
    board, job, _ = drive_on(count=20)
    program = accepted("\n".join([*board.lines, "M2"]) + "\n", tmp_path)
    assert program.feed_mm_min == 180
    # Where it would stand at each shutter pulse; G92 has named the place 40 mm, so the machine is 40 mm off that.
    at_mm, fired_mm = 0.0, []
    for act, value in program.acts:
        if act == "feed":
            at_mm = value
        elif act == "on":
            fired_mm.append(at_mm)
    offset_mm = fired_mm[0] - places_mm(job)[0]
    assert [place - offset_mm for place in fired_mm] == pytest.approx(places_mm(job), abs=2 * PRINTED_MM)
