"""``stacker drive --watch`` as a person types it."""

from __future__ import annotations

import pickle
import sys

import numpy as np
import pytest

from stacker.cli.watching import FolderWatcher
from stacker.documents.plan_file import read_plan
from stacker.figures import as_typed
from stacker.looking.watch import Note
from stacker.planning.out_of_focus import OutOfFocus


def test_the_dry_run_names_it_and_repeats_it(stacker, plan, tmp_path):
    shown = stacker("drive", plan, "--watch", tmp_path)
    assert f"looked at as they come to {tmp_path}" in shown.out
    assert shown.err.count(f"--watch {as_typed(tmp_path)}") == 2  # the look at the ends, and the run


def test_a_run_without_pictures_is_whole_and_says_so(stacker, plan, tmp_path, url):
    done = stacker("drive", plan, "--go", "--yes", "--url", url, "--watch", tmp_path, "--frames", "1-7")
    assert done.code == 0, done.err
    assert "7 frames taken" in done.out
    assert f"Next: stacker verify {as_typed(tmp_path)} --journal" in done.err
    assert done.err.rstrip().endswith("--look")
    assert f"watch: pictures are looked at as they come to\n  {tmp_path}" in done.err
    said = "Looked at the light of 0 of 7 frames while they came, for blur at 0, and at 0 steps between them. "
    assert f"{said}Not told: 1-7." in " ".join(done.err.split())


def test_a_stopped_run_repeats_it(stacker, plan, tmp_path, url):
    stopped = stacker("drive", plan, "--go", "--yes", "--url", f"{url}&unplug_at_s=20", "--watch", tmp_path)
    assert stopped.code != 0
    assert f"--watch {as_typed(tmp_path)}" in stopped.err.partition("--resume")[2]


def test_what_cannot_be_watched_is_refused_before_anything_moves(stacker, plan, tmp_path, url, monkeypatch):
    words = ("drive", plan, "--go", "--yes", "--url", url, "--watch")
    assert "no such folder" in stacker(*words, tmp_path / "none").err
    monkeypatch.setitem(sys.modules, "PIL", None)
    assert "needs Pillow" in stacker(*words, tmp_path).err
    assert not (tmp_path / "rail.log").exists()


@pytest.mark.parametrize("extra", [("--measure", "--travel-mm", "5")])
def test_a_measuring_run_is_not_watched(stacker, plan, tmp_path, extra):
    assert "--watch goes with a plan" in stacker("drive", plan, "--watch", tmp_path, *extra).err


class Beside:
    """A process that says what it is told to."""

    def __init__(self):
        self.ended, self.notes = False, []

    def exposing(self, frame, shot):
        pass

    def heard(self):
        notes, self.notes = self.notes, []
        return notes


def test_the_plan_s_optics_reach_the_process_that_looks(plan):
    """It is another process, so they go there as bytes."""
    optics = OutOfFocus.of(read_plan(plan))
    there = pickle.loads(pickle.dumps(optics))
    off_um = np.array([0.0, 20.0, 90.0])
    assert np.array_equal(there.curve((4000, 6000))(off_um, 0.2), optics.curve((4000, 6000))(off_um, 0.2))


def test_the_last_words_tell_what_was_not_looked_at_and_why():
    beside = Beside()
    watcher = FolderWatcher(beside)
    assert not watcher.began
    for shot, frame in enumerate((1, 2, 3, 2, 4, 0), start=1):
        watcher.exposing(frame, shot)
    beside.notes = [Note(kind="compared", frame=frame, shot=frame) for frame in (1, 2, 3)]
    beside.notes += [Note(kind="blur", frame=3, shot=3), Note(kind="step", frame=2, shot=2)]
    assert watcher.poll() == []
    beside.notes = [
        Note(kind="under", frame=3, shot=3, stops=1.04),
        Note(kind="lost", text="pictures came out of order"),
    ]
    beside.ended = True
    text = watcher.last_words()
    assert "2 of 4 frames while they came, for blur at 1, and at 0 steps" in text
    assert "Not told: 2,4." in text  # of frame 2 the first exposure was seen, and there is another
    assert "Found too late to be taken again: 3." in text
    assert "pictures came out of order" in text
    assert "has ended before the run did" in text


def test_findings_are_told_in_words():
    beside = Beside()
    beside.notes = [
        Note(kind="under", frame=3, shot=8, stops=6.66),
        Note(kind="in a row", frame=4, shot=9),
        Note(kind="stalled", frame=5, shot=10),
        Note(kind="blurred", frame=2, shot=7, text="smeared"),
    ]
    one, row, stalled, blurred = FolderWatcher(beside).poll()
    assert (one.frame, one.shot, one.seen, one.stops_as) == (3, 8, "6.7 stops under its neighbours", "")
    assert [row.stops_as, stalled.stops_as, blurred.stops_as] == ["dark", "stalled", ""]
    assert (blurred.frame, blurred.shot, blurred.seen) == (2, 7, "smeared")
