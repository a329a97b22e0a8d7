"""Pictures that come as they like: the rail's own log and the journal, against what the camera did."""

from __future__ import annotations

import pytest
from darkroom.watched_runs import FAULTS, Camera
from driving.runs import assert_complete, events, journal_of, make_job, person, records

from stacker.cli.watching import FolderWatcher
from stacker.driving.drive import drive
from stacker.driving.run_options import RunOptions

COUNT = 16


def watched_run(folder, seed, fault):
    """One run; returns how many misfires there were to find, and how many of them were taken again."""
    (folder / "pictures").mkdir(parents=True)
    camera = Camera(folder / "pictures", seed, fault)
    job = make_job(folder, count=COUNT)
    drive(job, RunOptions(yes=True, journal=journal_of(job)), person(), watcher=FolderWatcher(camera))
    assert_complete(job)
    confirmed = {(record["frame"], record["shot"]) for record in records(job, "confirmed")}
    assert confirmed == {(frame, shot) for shot, frame in camera.frames.items()}
    assert len(confirmed) == len(events(job, "shutter"))
    found = {record["shot"] for record in records(job, "watched") if record["again"]}
    assert all(camera.kinds[shot] != "good" for shot in found), (seed, fault, "a good frame was taken again")
    assert len(camera.kinds) == COUNT + len(found)  # each once
    # those with two exposures of neighbours behind them, and good ones enough before: they came in time
    *before, _, _ = camera.kinds
    misfired = {shot for shot in before if camera.kinds[shot] != "good"}
    if fault == "none":
        assert misfired <= found, (seed, misfired, found, camera.kinds)
    return len(misfired), len(misfired & found)


@pytest.mark.parametrize("fault", ["none", "doubled", "absent"])
def test_a_run_takes_again_what_misfired_and_nothing_else(tmp_path, fault):
    watched_run(tmp_path, 11, fault)


@pytest.mark.campaign
def test_300_runs_take_again_what_misfired_and_nothing_else(tmp_path):
    told = dict.fromkeys(FAULTS, (0, 0))
    for seed in range(300):
        fault = FAULTS[seed % len(FAULTS)]
        there, found = watched_run(tmp_path / str(seed), 1000 + seed, fault)
        told[fault] = (told[fault][0] + there, told[fault][1] + found)
    print({fault: f"{found} of {there}" for fault, (there, found) in told.items()})
    assert told["none"][0] > 50
