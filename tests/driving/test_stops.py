"""Interrupts: the first ends a move within the deceleration distance, the second at once; resume goes on after both."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import pairwise

import pytest
from driving.runs import (
    MIDDLE,
    assert_complete,
    events,
    finish,
    journal_of,
    make_job,
    openings,
    person,
    records,
    refocus,
    run,
)

from stacker.documents.journal import read_journal
from stacker.documents.rail_link import Shutter
from stacker.driving.bench import connect, name_place
from stacker.driving.bring_up import go_by
from stacker.driving.durable import DurableFile
from stacker.driving.interrupts import Interrupts
from stacker.driving.job import Pace
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal, RunStopped
from stacker.rail.line import LineController
from stacker.rail.stops import StopOrder

ACCELERATION = 24_000  # of the test rail
LONG = 9000  # a step of 2.1 s


class Hand:
    """Presses Ctrl-C at the n-th time that the run looks for it."""

    def __init__(self, *at):
        self.at, self.looks = at, 0

    def __call__(self):
        self.looks += 1
        return StopOrder(min(2, sum(self.looks >= look for look in self.at)))


class HandInMove(Hand):
    """The same, counted from when the rail has begun a long move."""

    def __init__(self, job, *at):
        super().__init__(*at)
        self.job = job

    def __call__(self):
        if not self.looks:
            motions = events(self.job, "start", "rest") if (self.job.path.parent / "rail.log").exists() else []
            if not motions or motions[-1]["event"] == "rest" or motions[-1]["to"] - motions[-1]["from"] < LONG:
                return StopOrder.GO_ON
        return super().__call__()


def interrupted(job, hand):
    with pytest.raises(RunStopped) as raised:
        run(job, who=person(stop_order=hand))
    assert raised.value.exit_code == 3
    assert "--resume" in str(raised.value)
    return raised.value


def motion_at_stop(job):
    """The last start of a motion and the rest after it."""
    start = events(job, "start")[-1]
    rest = events(job, "rest")[-1]
    return start, rest


@pytest.mark.parametrize("look", [1, 4, 12, 30])
def test_the_first_interrupt_ends_a_move_within_the_deceleration_distance(tmp_path, look):
    job = make_job(tmp_path, count=4, step=LONG)
    error = interrupted(job, HandInMove(job, look))
    assert error.code == "interrupted"
    start, rest = motion_at_stop(job)
    assert rest["counted"] != start["to"], "the interrupt did not fall into a move"
    byte = events(job, "stop")[0]
    # v^2/2a from where the byte found it, and up to a microstep each for counting and for ending on whole ones
    assert 0 <= rest["counted"] - byte["counted"] < byte["speed"] ** 2 / (2 * ACCELERATION) + 2
    # the run looked at least every 50 ms (and 10 ms for the question under way) while the rail moved
    assert byte["time_s"] - start["time_s"] <= 0.06 * (look + 1)
    assert not events(job, "sudden")
    stop = records(job, "stop")[-1]
    assert (stop["lost"], stop["position_microsteps"]) == (False, rest["counted"])
    finish(job)
    assert_complete(job)
    assert len(openings(job)) == job.count  # no duplicate


def test_the_second_interrupt_ends_a_move_at_once(tmp_path):
    job = make_job(tmp_path, count=4, step=LONG)
    interrupted(job, HandInMove(job, 20, 22))
    assert events(job, "sudden")
    assert records(job, "stop")[-1]["lost"]
    refocus(job)
    run(job, resume=True, run_options=RunOptions(yes=True, refocused=True))
    assert set(read_journal(journal_of(job)).confirmed) == {1, 2, 3, 4}


def test_an_interrupt_during_an_exposure_lets_it_end(tmp_path):
    job = make_job(tmp_path, count=3, exposure_s=(8.0,) * 3, options="time_scale=inf&exposure_s=8")
    for look in range(20, 90, 17):
        for name in ("rail.log", "rail.json", "demo.run.jsonl"):
            (tmp_path / name).unlink(missing_ok=True)
        interrupted(job, Hand(look))
        taken = len(openings(job))
        assert len(records(job, "confirmed")) == taken  # what was begun was confirmed
        finish(job)
        assert_complete(job)
        assert len(openings(job)) == job.count


def test_an_exposure_longer_than_the_deadman_survives(tmp_path):
    job = make_job(tmp_path, count=2, exposure_s=(30.0,) * 2, options="time_scale=inf&exposure_s=30")
    run(job)
    assert_complete(job)
    assert not events(job, "deadman")


@pytest.fixture
def ctrl_c_is_heard():
    """A shell starts what it sends to the background with SIGINT ignored, and these tests with it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("ctrl_c_is_heard")
def test_interrupts_count_signals_and_put_back_what_was_there():
    before = signal.getsignal(signal.SIGINT)
    with Interrupts() as interrupts:
        assert interrupts.stop_order() is StopOrder.GO_ON
        signal.raise_signal(signal.SIGINT)
        assert interrupts.stop_order() is StopOrder.STOP
        with interrupts.suspended(), pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
        assert interrupts.stop_order() is StopOrder.STOP_AT_ONCE
    assert signal.getsignal(signal.SIGINT) is before


@pytest.mark.usefixtures("ctrl_c_is_heard")
def test_a_signal_to_end_is_told_from_ctrl_c_and_a_stop_that_was_obeyed_is_forgotten():
    with Interrupts() as interrupts:
        signal.raise_signal(signal.SIGINT)
        assert not interrupts.ending
        interrupts.forget()
        assert interrupts.stop_order() is StopOrder.GO_ON
        signal.raise_signal(signal.SIGTERM)
        assert interrupts.ending
        for _ in range(3):
            signal.raise_signal(signal.SIGINT)
        assert interrupts.stop_order() is StopOrder.STOP_AT_ONCE  # more than that nobody can ask for
        assert interrupts.ending  # a Ctrl-C after it takes nothing back


def test_a_signal_to_end_that_comes_while_a_person_is_asked_is_remembered():
    before = signal.getsignal(signal.SIGTERM)
    with Interrupts() as interrupts:
        with interrupts.suspended(), pytest.raises(KeyboardInterrupt):  # and not the end of the program on the spot
            signal.raise_signal(signal.SIGTERM)
        assert interrupts.ending
        assert interrupts.stop_order() is StopOrder.GO_ON
        signal.raise_signal(signal.SIGTERM)
        assert interrupts.stop_order() is StopOrder.STOP
    assert signal.getsignal(signal.SIGTERM) is before


def stopped_half_way(tmp_path):
    job = make_job(tmp_path)
    interrupted(job, Hand(50))
    assert 0 < len(openings(job)) < job.count
    return job


def test_a_place_named_anew_by_another_program_is_not_gone_on_from(tmp_path):
    """The controller still knows its place, by the same boot, and counts from elsewhere than the run did."""
    job = stopped_half_way(tmp_path)
    rail, _ = connect(job.link, job.rail)
    name_place(rail, rail.controller.where().position + 40)
    rail.controller.close()
    with pytest.raises(Refusal, match="Go on without --yes"):
        run(job, resume=True)
    asked = []
    with pytest.raises(Refusal, match="Another program used the rail"):
        run(job, resume=True, run_options=RunOptions(), who=person(confirm=asked.append))
    assert "its position not redefined" in asked[0]
    with pytest.raises(Refusal, match="position was lost"):  # a no is remembered
        run(job, resume=True)
    refocus(job)
    run(job, resume=True, run_options=RunOptions(yes=True, refocused=True))
    assert_complete(job)


def test_a_rail_that_another_program_only_moved_goes_on_when_the_person_says_so(tmp_path):
    job = stopped_half_way(tmp_path)
    rail, _ = connect(job.link, job.rail)
    go_by(rail, -3000)
    rail.controller.close()
    with pytest.raises(Refusal, match="Go on without --yes"):
        run(job, resume=True)
    asked = []
    run(job, resume=True, run_options=RunOptions(), who=person(confirm=lambda text: asked.append(text) or True))
    assert_complete(job)
    assert len(openings(job)) == job.count


def test_a_controller_that_was_switched_off_since_counts_from_elsewhere_whatever_it_says(tmp_path):
    """It may know a place: one that it was told after it started anew."""
    job = stopped_half_way(tmp_path)
    memory = json.loads((tmp_path / "rail.json").read_text())
    memory["state"]["boot"] += 1
    (tmp_path / "rail.json").write_text(json.dumps(memory))
    taken = len(openings(job))
    with pytest.raises(Refusal, match="position was lost"):
        run(job, resume=True)
    assert len(openings(job)) == taken


def test_a_front_that_was_focused_again_counts_though_the_rail_knows_its_place(tmp_path):
    """Else the stack would go on from where the rail counts the old front."""
    job = stopped_half_way(tmp_path)
    run(job, resume=True, run_options=RunOptions(yes=True, refocused=True))
    assert records(job, "found")[-1]["lost"]
    assert read_journal(journal_of(job)).refocused


def test_a_refocused_front_that_was_not_gone_on_from_is_remembered(tmp_path):
    """Asked for the front, said yes, declined to go: the place is known again, and is only as good as the focusing."""
    job = stopped_half_way(tmp_path)
    rail, _ = connect(job.link, job.rail)
    rail.controller.hold(on=False)
    rail.controller.close()
    asked = []
    with pytest.raises(Refusal, match="position was lost"):
        run(job, resume=True, run_options=RunOptions(), who=person(confirm=asked.append))
    assert "answer n" in asked[0]
    assert "resume with --refocused" in asked[0]
    refocus(job, error=20)
    with pytest.raises(Refusal, match="not started"):
        run(
            job,
            resume=True,
            run_options=RunOptions(),
            who=person(confirm=lambda text: "in focus" in text and "Go" not in text),
        )
    pending = read_journal(journal_of(job)).pending
    with pytest.raises(Refusal, match="position was lost"):
        run(job, resume=True)
    run(job, resume=True, run_options=RunOptions(yes=True, refocused=True))
    assert records(job, "resume")[-1]["frames"][0] == pending[0] - 2  # a slice is one step and a half


def test_a_second_resume_leaves_the_first_alone_until_it_ends(tmp_path):
    job = stopped_half_way(tmp_path)
    before = events(job)
    first = DurableFile(journal_of(job), new=False)
    with pytest.raises(Refusal, match="another run is writing it"):
        run(job, resume=True)
    first.close()
    assert events(job) == before  # nobody opened the port


@pytest.mark.skipif(sys.platform == "win32", reason="there is no hang-up on Windows")
def test_a_run_that_was_started_to_outlive_its_terminal_does():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Interrupts() as interrupts:
            signal.raise_signal(signal.SIGHUP)
            assert interrupts.stop_order() is StopOrder.GO_ON
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.skipif(sys.platform == "win32", reason="there is no hang-up on Windows")
def test_a_terminal_that_hangs_up_twice_asks_for_no_stop_at_once():
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    try:
        with Interrupts() as interrupts:
            signal.raise_signal(signal.SIGHUP)
            signal.raise_signal(signal.SIGHUP)
            assert interrupts.stop_order() is StopOrder.STOP
            signal.raise_signal(signal.SIGTERM)
            assert interrupts.stop_order() is StopOrder.STOP_AT_ONCE
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.skipif(sys.platform == "win32", reason="sends POSIX signals to another process")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", pytest.param("SIGHUP", marks=pytest.mark.campaign)])
def test_a_signal_from_outside_stops_the_command_and_its_resume_completes(tmp_path, plans, name):
    plan = tmp_path / "beetle.plan.yaml"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    log, state, journal = tmp_path / "rail.log", tmp_path / "rail.json", tmp_path / "j.run.jsonl"
    url = f"sim://bench?time_scale=10&state={state}&log={log}"  # twelve seconds: late is not too late
    command = [sys.executable, "-m", "stacker", "drive", str(plan), "--go", "--yes", "--url"]
    before = signal.signal(getattr(signal, name), signal.SIG_DFL)  # whatever these tests were started with
    running = subprocess.Popen([*command, url, "--journal", str(journal)], stderr=subprocess.PIPE, text=True)
    signal.signal(getattr(signal, name), before)
    while running.poll() is None and not (journal.exists() and journal.read_text().count("confirmed") >= 3):
        time.sleep(0.01)
    running.send_signal(getattr(signal, name))
    _, said = running.communicate(timeout=60)
    assert running.returncode == 3, said
    assert f"--resume {journal}" in said
    last = json.loads(journal.read_text().splitlines()[-1])
    assert last["event"] == "stop"
    url = f"sim://bench?time_scale=inf&state={state}&log={log}"
    done = subprocess.run([*command, url, "--resume", str(journal)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    opened = [json.loads(line) for line in log.read_text().splitlines()]
    places = [event["position_microsteps"] for event in opened if event["event"] == "shutter"]
    header = json.loads(journal.read_text().splitlines()[0])
    column = header["plan"]["columns"].index("position_microsteps")
    planned = [header["front_at_microsteps"] + row[column] for row in header["plan"]["rows"]]
    assert places == planned  # a gentle stop lost nothing and doubled nothing


def test_a_program_that_fails_by_itself_leaves_the_rail_at_rest(tmp_path, monkeypatch):
    sent = []
    stop = LineController.stop
    monkeypatch.setattr(LineController, "stop", lambda host, **how: (sent.append(host), stop(host, **how)))
    job = make_job(tmp_path, count=4, step=LONG)

    def fail(progress):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run(job, who=person(report=fail))
    assert sent  # wherever it failed: where the rail moves nobody knows then
    assert journal_of(job).exists()
    finish(job)
    assert_complete(job)


def test_stopping_and_resuming_at_many_moments_never_doubles_a_frame(tmp_path):
    for look in range(5, 120, 13):
        folder = tmp_path / str(look)
        folder.mkdir()
        job = make_job(folder)
        hand = Hand(look)
        try:
            run(job, who=person(stop_order=hand))
        except RunStopped:
            finish(job)
        assert_complete(job)
        assert openings(job) == [MIDDLE + position for position in job.positions]


def test_quick_frames_wait_for_the_release_contact(tmp_path):
    job = make_job(tmp_path, pace=Pace(settle_s=0.0), shutter=Shutter(pulse_s=0.4))
    run(job)
    assert_complete(job)
    closed = [event["time_s"] for event in events(job, "contact") if event["closed"]]
    assert min(there - here for here, there in pairwise(closed)) >= 0.4
    (tmp_path / "by_hand").mkdir()
    by_hand = replace(make_job(tmp_path / "by_hand"), shutter=Shutter(via="manual"))
    asked = []
    run(by_hand, who=person(confirm_taken=lambda text: asked.append(text) or True))
    assert len(asked) == by_hand.count
    assert {record["evidence"] for record in records(by_hand, "confirmed")} == {"person"}
    assert not events(by_hand, "contact")


def test_a_contact_that_stays_closed_longer_than_the_deadman_waits_is_no_fault(tmp_path):
    job = make_job(tmp_path, count=3, shutter=Shutter(pulse_s=7.0))
    run(job)
    assert_complete(job)
    assert not events(job, "deadman")


def test_a_warm_up_comes_before_the_first_frame_alone(tmp_path):
    job = make_job(tmp_path, count=3)
    run(job, run_options=RunOptions(yes=True, warm_up_s=60))
    opened = [event["time_s"] for event in events(job, "shutter")]
    assert 60 <= opened[0] < 63
    assert opened[-1] - opened[0] < 3


def test_an_interrupt_after_the_last_exposure_finds_the_run_complete(tmp_path):
    job = make_job(tmp_path, count=2)
    taken = []
    run(job, who=person(report=taken.append, stop_order=lambda: StopOrder(len(taken) == 2)))
    assert_complete(job)
    assert records(job)[-1]["event"] == "end"


def test_a_run_lets_the_flash_cool_and_a_resume_begins_with_that(tmp_path):
    pace = Pace(settle_s=0.5, recycle_s=1.0, rest_after=2, rest_s=50.0)
    job = make_job(tmp_path, count=5, pace=pace)
    taken = []
    with pytest.raises(RunStopped):
        run(job, who=person(report=taken.append, stop_order=lambda: StopOrder(len(taken) == 3)))
    fired_s = [record["t_s"] for record in records(job, "exposed")]
    assert fired_s[1] - fired_s[0] < 50 <= fired_s[2] - fired_s[1]
    run(job, resume=True)  # nobody knows how hot it is by then
    told = records(job)
    again = told[[record["event"] for record in told].index("resume") :]
    assert next(record["t_s"] for record in again if record["event"] == "exposed") - again[0]["t_s"] >= 50
    assert_complete(job)


def test_a_resume_waits_for_the_flash_that_the_run_before_may_have_fired_just_now(tmp_path):
    recycle_s = 40.0
    job = make_job(tmp_path, count=3, pace=Pace(settle_s=0.5, recycle_s=recycle_s))
    taken = []
    with pytest.raises(RunStopped):
        run(job, who=person(report=taken.append, stop_order=lambda: StopOrder(len(taken) == 1)))
    assert records(job, "exposed")[0]["t_s"] < recycle_s  # nothing fired before a first run
    run(job, resume=True)
    told = records(job)
    again = told[[record["event"] for record in told].index("resume") :]
    fired_s = [record["t_s"] for record in again if record["event"] == "exposed"]
    assert fired_s[0] - again[0]["t_s"] >= recycle_s
    assert_complete(job)


@pytest.mark.parametrize("via", ["rail", "manual"])
def test_an_interrupt_while_the_rail_settles_fires_nothing(tmp_path, via):
    """A controller refuses to fire after a stop; a shutter that it does not hold is held by the run alone."""
    job = make_job(tmp_path, count=3, shutter=Shutter(via=via))
    asked = []
    who = person(
        stop_order=lambda: StopOrder(journal_of(job).exists() and bool(records(job, "intent"))),
        confirm_taken=lambda text: asked.append(text) or True,
    )
    with pytest.raises(RunStopped):
        run(job, who=who)
    assert len(records(job, "intent")) == 1
    assert not asked
    assert not openings(job)
    assert not records(job, "exposed")
