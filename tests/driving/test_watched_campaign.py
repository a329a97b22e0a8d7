"""Pictures that come as they like: the rail's own log and the journal, against what the camera did."""

from __future__ import annotations

import os
from collections import Counter

import pytest
from darkroom.scenes import SILENT, TEXTURED
from darkroom.watched_runs import FAULTS, FOCUS_FAULTS, Camera, DeepCamera
from driving.runs import assert_complete, events, journal_of, make_job, openings, person, records

from stacker.cli.watching import FolderWatcher
from stacker.documents.journal import read_journal
from stacker.driving.drive import drive
from stacker.driving.run_options import RunOptions
from stacker.errors import RunStopped

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


def focused_run(folder, scene, rig, seed, fault):
    """One run past a fault of focus; returns what came of it, and how many good frames were taken again."""
    (folder / "pictures").mkdir(parents=True)
    camera = DeepCamera(folder / "pictures", scene, rig, seed, fault)
    job, stopped = make_job(folder, count=20), None
    try:
        drive(job, RunOptions(yes=True, journal=journal_of(job)), person(), watcher=FolderWatcher(camera))
    except RunStopped as error:
        stopped = error
    past, again = read_journal(journal_of(job)), [record["frame"] for record in records(job, "watched")]
    if stopped is not None:
        assert stopped.code == "stalled"
        assert past.lost
        bad = range(camera.at + 1, 21)  # from the first frame on that is as the one before
        if fault in ("stall", "stuck"):
            assert set(past.pending) == set(bad), (scene, rig, seed, "a frame out of its place counts")
            assert len(openings(job)) <= camera.at + 4, "told too late"
            return "stopped", 0
        return "stopped for nothing", 0
    assert_complete(job)
    if fault in ("smear", "soft") and again.count(camera.at + 1) == 1:
        return "again", len(again) - 1
    return "left", len(again)


@pytest.mark.parametrize("fault", ["smear", "stuck"])
def test_a_fault_of_focus_is_answered_while_the_run_goes_on(tmp_path, fault):
    came, beside = focused_run(tmp_path, "rough", "tubes", 3, fault)
    assert (came, beside) == ({"smear": "again", "stuck": "stopped"}[fault], 0)


@pytest.mark.campaign
def test_runs_past_faults_of_focus(tmp_path):
    came, beside, runs = Counter(), 0, 0
    for seed in range(int(os.environ.get("STACKER_SEEDS", "1"))):
        for i, scene in enumerate([*TEXTURED, *SILENT]):
            for j, rig in enumerate(("tubes", "bellows", "reversed")):
                fault = FOCUS_FAULTS[(i + j + seed) % len(FOCUS_FAULTS)]
                how, good = focused_run(tmp_path / f"{seed} {scene} {rig}", scene, rig, 500 + seed, fault)
                came[scene in SILENT, fault, how] += 1
                beside, runs = beside + good, runs + 1
    print("\n", *sorted(came.items()), f"{beside} good frames of {20 * runs} taken again", sep="\n")
    assert not any("nothing" in how for _, _, how in came)
    assert beside <= 20 * runs / 300
    for fault, how, least in (("stall", "stopped", 0.9), ("stuck", "stopped", 0.9), ("smear", "again", 0.75)):
        assert came[False, fault, how] >= least * sum(came[False, fault, one] for one in (how, "left")), fault
    assert not any(how == "stopped" for silent, _, how in came if silent)  # no step of theirs can be told
