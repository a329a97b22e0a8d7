"""What can break at the bench: cable, controller, disk, camera, switch, supply, screw."""

from __future__ import annotations

import errno
import json
import random
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
    with_options,
)

from stacker.documents.journal import read_journal
from stacker.documents.rail_link import Shutter
from stacker.driving import bench
from stacker.driving.bench import connect
from stacker.driving.durable import DurableFile
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal, RunStopped
from stacker.rail.line import LineController


def stopped(job, code, **how):
    with pytest.raises(RunStopped) as raised:
        run(job, **how)
    assert raised.value.exit_code == 3
    assert raised.value.code == code, raised.value
    assert "--resume" in str(raised.value)
    return str(raised.value)


def cable_pulled(folder, at_s):
    folder.mkdir()
    job = make_job(folder)
    message = stopped(with_options(job, f"unplug_at_s={at_s}"), "port_gone")
    assert "cable" in message
    assert "does not answer" in message
    assert records(job, "stop")[-1]["code"] == "port_gone"
    finish(job)
    assert_complete(job)


def controller_reset(folder, at_s, error):
    folder.mkdir()
    job = make_job(folder)
    message = stopped(with_options(job, f"reset_at_s={at_s}"), "controller_reset")
    assert "position" in message
    taken = len(openings(job))
    assert records(job, "stop")[-1]["lost"]
    with pytest.raises(Refusal, match="focus the front again"):
        run(job, resume=True)
    assert len(openings(job)) == taken
    refocus(job, error=error)
    run(job, resume=True, run_options=RunOptions(yes=True, refocused=True))
    past = read_journal(journal_of(job))
    assert set(past.confirmed) == set(range(1, job.count + 1))
    again = sorted(place - MIDDLE - error for place in openings(job)[taken:])
    assert set(again) <= set(job.positions)  # where they belong, but for the error of refocusing
    after = records(job)[[record["event"] for record in records(job)].index("resume") :]
    assert next(record["shot"] for record in after if record["event"] == "intent") == 1  # it counts anew since it began
    places = sorted(openings(job))
    assert all(there - here <= 68 for here, there in pairwise(places))  # a slice is 68.6 thick


class FullDisk:
    """Opens journals on a disk that fills up in the middle of the n-th write."""

    def __init__(self, at):
        self.left = at

    def __call__(self, path, *, new):
        disk = self

        class Filling(DurableFile):
            def write(self, data):
                disk.left -= 1
                if disk.left == 0:
                    super().write(data[: len(data) // 3])
                    raise OSError(errno.ENOSPC, "No space left on device")
                super().write(data)

        return Filling(path, new=new)


def disk_full(folder, at):
    folder.mkdir()
    job = make_job(folder)
    before = 2 + (at - 2) // 3  # writes: header, then three a frame
    message = stopped(job, "journal", opener=FullDisk(at))
    assert "no more frames are taken" in message
    assert len(openings(job)) <= before - 1
    finish(job)
    assert_complete(job)


def camera_silent(folder, first, *, policy):
    folder.mkdir()
    job = make_job(folder, shutter=Shutter(pulse_s=0.1, sync_s=0.3, on_open_sync=policy, repeats=2))
    silent = with_options(job, f"silent_from={first}")
    message = stopped(silent, "sync_open")
    assert "camera" in message
    assert len(records(job, "fault")) == (1 if policy == "stop" else 3)
    assert len(openings(job)) == first - 1
    finish(with_options(job, "silent_from=0"))
    assert_complete(job)


def test_the_cable_is_pulled(tmp_path):
    for number, at_s in enumerate((0.9, 2.2, 3.05, 4.6)):
        cable_pulled(tmp_path / str(number), at_s)


def test_the_controller_resets(tmp_path):
    for number, (at_s, error) in enumerate(((0.9, 0), (2.2, 10), (4.1, -15))):
        controller_reset(tmp_path / str(number), at_s, error)


def test_the_disk_fills_up(tmp_path):
    for at in (2, 3, 4, 9, 13):
        disk_full(tmp_path / str(at), at)


def test_a_disk_that_fills_up_behind_the_last_frame_leaves_the_front_where_it_was(tmp_path):
    job = make_job(tmp_path)
    message = stopped(job, "journal", opener=FullDisk(2 + 3 * job.count))  # the line that ends the run
    assert f"{job.count} of {job.count} frames are confirmed." in message
    assert f"To take frames again, type: stacker drive {job.path} --go --front-at-mm 40" in message
    assert "Go on: " not in message


@pytest.mark.parametrize("policy", ["stop", "repeat"])
def test_the_camera_falls_silent(tmp_path, policy):
    for first in (1, 4, 6):
        camera_silent(tmp_path / str(first), first, policy=policy)


@pytest.mark.campaign
def test_each_of_these_50_times(tmp_path):
    chance = random.Random(5)
    for number in range(50):
        cable_pulled(tmp_path / f"cable{number}", chance.uniform(0.3, 4.7))
        controller_reset(tmp_path / f"reset{number}", chance.uniform(0.3, 4.7), chance.randint(-20, 20))
        disk_full(tmp_path / f"disk{number}", chance.randint(2, 19))
        camera_silent(tmp_path / f"camera{number}", chance.randint(1, 6), policy=chance.choice(["stop", "repeat"]))


def test_a_camera_that_misses_one_signal_is_asked_again_where_the_profile_says_so(tmp_path):
    job = make_job(tmp_path, shutter=Shutter(pulse_s=0.1, sync_s=0.3, on_open_sync="repeat", repeats=2))
    run(with_options(job, "silent_from=3&silent_frames=1"))
    assert openings(job) == [MIDDLE + position for position in job.positions]
    assert [fault["frame"] for fault in records(job, "fault")] == [3]


@pytest.mark.parametrize(
    ("options", "why"),
    [("card_frames=2", "card full"), ("battery_frames=2", "battery empty"), ("camera_busy_s=60", "busy")],
)
def test_a_camera_that_cannot_take_the_frame_is_seen_by_its_sync_contact(tmp_path, options, why):
    job = make_job(tmp_path)
    stopped(with_options(job, options), "sync_open")
    assert events(job, "ignored")[-1]["why"] == why


def test_a_sleeping_camera_is_woken_by_the_focus_contact(tmp_path):
    asleep = "asleep_after_s=0.6&wake_s=0.3"
    job = make_job(tmp_path, shutter=Shutter(pulse_s=0.1, sync_s=0.3, focus_s=0.4))
    run(with_options(job, asleep))
    assert_complete(job)
    (tmp_path / "b").mkdir()
    job = make_job(tmp_path / "b")
    stopped(with_options(job, asleep), "sync_open")
    assert events(job, "ignored")[0]["why"] == "asleep"


def test_without_a_sync_contact_the_evidence_is_the_pulse_alone(tmp_path):
    job = make_job(tmp_path, shutter=Shutter(pulse_s=0.1))
    run(job)
    assert {record["evidence"] for record in records(job, "confirmed")} == {"pulse"}


def test_a_limit_hit_stops_the_run_and_the_journal_tells(tmp_path):
    job = make_job(tmp_path)
    message = stopped(with_options(job, f"high_switch={MIDDLE + 130}"), "high")
    assert "limit switch at the high end" in message
    assert records(job, "stop")[-1] | {"reason": "", "t_s": 0} == {
        "event": "stop", "code": "high", "reason": "", "lost": True, "t_s": 0,
        "position_microsteps": records(job, "stop")[-1]["position_microsteps"],
    }  # fmt: skip
    assert max(openings(job)) < MIDDLE + 130


def test_loss_of_the_motor_supply_stops_the_run(tmp_path):
    job = make_job(tmp_path)
    message = stopped(with_options(job, "supply=sensed&supply_off_at_s=2.6"), "supply")
    assert "supply" in message
    assert records(job, "stop")[-1]["lost"]


def test_an_open_loop_rail_says_that_it_counts(tmp_path):
    job = make_job(tmp_path)
    assert run(with_options(job, f"stall_at={MIDDLE + 100}")).steps == "position counted, not measured"
    assert max(openings(job)) == MIDDLE + 100  # it cannot know better


@pytest.mark.parametrize("fault", [f"stall_at={MIDDLE + 100}", "lose=4:60"])
def test_a_stall_is_found_at_the_switch_where_there_is_one(tmp_path, fault):
    job = make_job(tmp_path, low_switch_at=60_001, check_steps_after=True)
    seen = with_options(job, f"low_switch=60000&{fault}")
    with pytest.raises(RunStopped, match="steps were lost") as raised:
        run(seen)
    assert (raised.value.code, raised.value.exit_code) == ("steps_lost", 3)
    assert records(job, "stop")[-1]["lost"]
    assert "--resume" not in str(raised.value)  # every frame is confirmed
    assert "focus the front; then: stacker drive" in str(raised.value)


def test_a_rail_that_lost_nothing_is_found_where_it_should_be(tmp_path):
    job = make_job(tmp_path, low_switch_at=60_001, check_steps_after=True)
    assert run(with_options(job, "low_switch=60000")).steps.startswith("no step lost")


def test_backlash_is_taken_up_so_that_every_place_is_the_plans(tmp_path):
    job = make_job(tmp_path)  # a take-up of 30 microsteps is a backlash of 24 and a quarter more
    run(with_options(job, "backlash=24"))
    assert openings(job) == [MIDDLE + position for position in job.positions]
    (tmp_path / "other").mkdir()
    job = make_job(tmp_path / "other", direction=-1, positions=tuple(-48 * n for n in range(6)))
    run(with_options(job, "backlash=24"))
    # reached from the other side the carriage stands at the other end of the play: all frames alike
    assert {place - MIDDLE - position for place, position in zip(openings(job), job.positions, strict=True)} == {24}


def test_microsteps_a_turn_that_differ_are_refused_before_anything_moves(tmp_path):
    job = make_job(tmp_path)
    with pytest.raises(Exception, match="1600 microsteps a turn, the profile says 3200"):
        run(with_options(job, "turn=1600"))
    assert not events(job, "start")


def test_the_motor_is_let_go_only_where_the_profile_says_so(tmp_path):
    job = make_job(tmp_path, hold_after=False)
    run(job)
    state = json.loads((tmp_path / "rail.json").read_text())["state"]
    assert not state["held"]
    stopped_before = len(openings(job))
    with pytest.raises(Refusal, match="position is not known"):
        run(job)
    assert len(openings(job)) == stopped_before
    journal_of(job).unlink()
    run(job, run_options=RunOptions(yes=True, rail_at=MIDDLE, front_at=MIDDLE))  # the motor is energised again
    assert len(openings(job)) == stopped_before + job.count


# ------------------------------------------------------------------------------------ switches that cannot be trusted


def deepest(job):
    return max(event["counted"] for event in events(job, "rest"))


@pytest.mark.parametrize("at_s", [0.3, 2.3, 2.6, 3.4, 4.1])
def test_a_switch_whose_wire_is_cut_in_mid_run_drives_nothing_past_the_deepest_frame(tmp_path, at_s):
    """At rest or in motion: the run stops, and no check for lost steps goes for that switch."""
    job = make_job(tmp_path, low_switch_at=60_001, check_steps_after=True)
    with pytest.raises(RunStopped) as raised:
        run(with_options(job, f"low_switch=60000&low_cut_at_s={at_s}"))
    assert raised.value.code in ("low", "switch")
    assert deepest(job) <= MIDDLE + job.positions[-1]
    assert len(openings(job)) < job.count


def test_no_seek_follows_a_run_whose_low_switch_reads_hit(tmp_path):
    job = make_job(tmp_path, count=2, low_switch_at=60_001, check_steps_after=True)
    (tmp_path / "probe").mkdir()
    probe = make_job(tmp_path / "probe", count=2)
    run(probe)
    last_s = events(probe, "shutter")[-1]["time_s"]
    with pytest.raises(RunStopped, match="reads hit although this run ended elsewhere") as raised:
        run(with_options(job, f"low_switch=60000&low_cut_at_s={last_s + 0.001}"))
    assert raised.value.code == "switch_hit"
    assert len(openings(job)) == job.count
    assert events(job, "start")[-1]["to"] == MIDDLE + job.positions[-1]
    assert records(job, "stop")[-1]["lost"]
    assert "--resume" not in str(raised.value)  # every frame is confirmed


# ---------------------------------------------------------------------------------------------------- what proves it


@pytest.mark.parametrize(
    ("sync", "code", "words"),
    [("none", "sync_unwired", "this controller has none"), ("stuck", "sync_stuck", "closed before the shutter opened")],
)
@pytest.mark.parametrize("policy", ["stop", "repeat"])
def test_a_sync_contact_that_cannot_prove_anything_stops_the_run_at_frame_1(tmp_path, sync, code, words, policy):
    job = make_job(tmp_path, shutter=Shutter(pulse_s=0.1, sync_s=0.3, on_open_sync=policy))
    assert words in stopped(with_options(job, f"sync={sync}"), code)
    assert len(openings(job)) == 1
    assert not records(job, "confirmed")
    finish(with_options(job, "sync=wired"))
    assert_complete(job)


def test_a_run_whose_rail_another_program_took_says_so_and_leaves_that_program_alone(tmp_path, monkeypatch):
    job = make_job(tmp_path)
    taken = []
    take_over = LineController.take_over
    monkeypatch.setattr(LineController, "take_over", lambda host: (taken.append(host), take_over(host)))

    def report(progress):
        if progress.done == 2:
            taken[0]._link._port.board.state.session = "0BADCAFE"

    message = stopped(job, "controller_session", who=person(report=report))
    assert "another program has taken the rail over" in message
    assert "does not answer" not in message
    assert not events(job, "stop")  # the other program's motion is not this run's to stop


def test_a_rail_that_another_program_left_moving_is_at_rest_before_it_is_given_orders(monkeypatch, tmp_path):
    job = make_job(tmp_path)
    before, _ = connect(job.link, job.rail)
    before.narrow(3200, 124_800)
    before.controller.start_move(120_000)
    before.clock.sleep(1.0)
    link = before.controller._link
    monkeypatch.setattr(bench, "controller_for", lambda *_: LineController(link))
    rail, _ = connect(job.link, job.rail)  # the settings of a rail in motion are refused
    where = rail.controller.where()
    assert (where.resting, where.known, where.ended) == (True, True, "stop")
