"""Killed anywhere, then resumed: by the hardware's own log no frame is missing and none is in a wrong place."""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from itertools import pairwise

import pytest
from driving.runs import (
    MIDDLE,
    Killer,
    assert_complete,
    events,
    finish,
    fork,
    journal_of,
    killed_run,
    make_job,
    openings,
    refocus,
    run,
    with_options,
)

from stacker.documents.journal import read_journal
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")


def operations(folder) -> int:
    """How many writes, syncs, sends and receives a whole run of six frames makes."""
    folder.mkdir()
    return killed_run(make_job(folder), Killer(0))


def kill_at(folder, at, **how):
    folder.mkdir()
    job = make_job(folder)
    assert killed_run(job, Killer(at, **how)) == 0
    finish(job)
    assert_complete(job)


def test_a_run_that_nobody_kills_is_complete_without_duplicates(tmp_path):
    job = make_job(tmp_path)
    outcome = run(job)
    assert_complete(job)
    assert openings(job) == [MIDDLE + position for position in job.positions]
    assert outcome.past.doubled == ()


@pytest.mark.parametrize("torn", [False, True], ids=["after", "within"])
def test_killed_at_some_operations(tmp_path, torn):
    count = operations(tmp_path / "whole")
    assert count > 100  # six frames of 13 operations, and what comes before
    # before the first frame, and each of a frame's 13 or so: an even step would fall on the same ones again and again
    for at in (3, 16, 29, *range(count // 2, count // 2 + 15)):
        kill_at(tmp_path / str(at), at, torn=torn)


@pytest.mark.campaign
@pytest.mark.parametrize("torn", [False, True], ids=["after", "within"])
def test_killed_at_every_operation(tmp_path, torn):
    for at in range(1, operations(tmp_path / "whole")):
        kill_at(tmp_path / str(at), at, torn=torn)


def test_killed_twice_and_resumed_twice(tmp_path):
    job = make_job(tmp_path)
    assert killed_run(job, Killer(70)) == 0
    assert killed_run(job, Killer(60), resume=True) == 0
    finish(job)
    assert_complete(job)


def kill_after(folder, seconds):
    """A run in compressed time, killed by the clock."""
    folder.mkdir()
    job = make_job(folder, options="time_scale=50")
    child = fork()
    if child == 0:
        try:
            run(job)
        finally:
            os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    finish(make_job(folder))  # on a virtual clock: the board's memory does not mind
    assert_complete(job)


def test_killed_at_a_few_random_instants(tmp_path):
    chance = random.Random(1)
    for number in range(4):
        kill_after(tmp_path / str(number), chance.uniform(0.02, 0.2))


@pytest.mark.campaign
def test_killed_at_200_random_instants(tmp_path):
    chance = random.Random(2)
    for number in range(200):
        kill_after(tmp_path / str(number), chance.uniform(0.0, 0.25))


def power_fails(folder, at, error, *, board_too):
    """The computer loses power and with it what was not synced; the board perhaps too, then the front is refocused."""
    folder.mkdir()
    job = make_job(folder)
    assert killed_run(job, Killer(at, power=True)) == 0
    begun = journal_of(job).exists() and journal_of(job).stat().st_size
    if not board_too or not begun or not read_journal(journal_of(job)).pending:
        finish(job)
        assert_complete(job)
        return
    resetting = with_options(job, "reset_on_open=always")
    with pytest.raises(Refusal, match="position was lost"):
        run(resetting, resume=True)  # the controller has forgotten where it is, and says so
    refocus(job, error=error)
    run(job, resume=True, run_options=RunOptions(yes=True, refocused=True))
    assert not read_journal(journal_of(job)).pending
    assert not events(job, "blur")
    # no gap: the slices of all exposures, where they truly were, cover what the plan's slices cover
    half = job.dof_um[0] / 0.625 / 2
    places = sorted(openings(job))
    assert places[0] <= MIDDLE + job.positions[0] + abs(error)
    assert places[-1] >= MIDDLE + job.positions[-1] - abs(error)
    assert all(there - here <= 2 * half for here, there in pairwise(places))


@pytest.mark.parametrize(("at", "error"), [(40, 0), (90, 20), (100, -48)])
def test_power_fails(tmp_path, at, error):
    power_fails(tmp_path / "host", at, error, board_too=False)
    power_fails(tmp_path / "both", at, error, board_too=True)


@pytest.mark.campaign
def test_power_fails_50_times(tmp_path):
    chance = random.Random(3)
    count = operations(tmp_path / "whole")
    for number in range(50):
        at, error = chance.randrange(1, count), chance.randint(-68, 68)  # an error of one slice at most
        power_fails(tmp_path / str(number), at, error, board_too=number % 2 == 1)


def test_killed_in_the_middle_of_a_long_move_it_goes_on_in_its_place(tmp_path):
    """That the rail then stops by itself, by its deadman, is held in tests/conformance."""
    in_a_move = 0
    for at in range(32, 92, 12):
        folder = tmp_path / str(at)
        folder.mkdir()
        job = make_job(folder, count=3, step=9000)
        assert killed_run(job, Killer(at)) == 0
        in_a_move += events(job)[-1]["event"] == "start"
        finish(job)
        assert_complete(job)
    assert in_a_move
