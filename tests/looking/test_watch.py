"""Pictures looked at as they come to a folder: the work without its process, then the process."""

from __future__ import annotations

import time

import numpy as np
import pytest
from looking.test_depths import Bell
from PIL import Image

from stacker.documents.plan_file import read_plan
from stacker.looking.focus_by_now import Aim
from stacker.looking.watch import BesideTheRun, Looker
from stacker.planning.out_of_focus import OutOfFocus


class AnySize(Bell):
    """The made-up lens, for pictures of any size."""

    def curve(self, _pixels):
        return super().curve((192, 256))


AIM = Aim(focus_um={frame: 40.0 * frame for frame in range(1, 100)}, optics=AnySize())

SUBJECT = np.random.default_rng(5).integers(60, 200, (96, 128)).astype(np.float64)


def write_picture(path, share=1.0, *, seed=1, size=1.0, upto=None):
    """A picture of the subject with a share of its light, in numbers that follow a tone curve."""
    noise = np.random.default_rng(seed).normal(0, 2, SUBJECT.shape)
    pixels = np.clip(SUBJECT * share ** (1 / 2.2) + noise, 0, 255).astype(np.uint8)
    picture = Image.fromarray(pixels).resize((round(128 * size), round(96 * size)))
    picture.save(path, quality=92)
    if upto is not None:
        path.write_bytes(path.read_bytes()[: round(upto * path.stat().st_size)])


def looked(looker, scans=3):
    return [note for _ in range(scans) for note in looker.scan()]


def played(folder, shares):
    looker, notes = Looker(folder, (), AIM), []
    for number, share in enumerate(shares, start=1):
        looker.exposing(number, 100 + number)
        write_picture(folder / f"P_{number}.jpg", share, seed=number)
        notes += looked(looker)
    return notes


def under(notes):
    return [(note.frame, note.shot) for note in notes if note.kind == "under"]


def test_a_dark_picture_is_found_once_and_by_its_exposure(tmp_path):
    notes = played(tmp_path, (1, 1, 1, 1, 0.01, 1, 1, 1))
    assert under(notes) == [(5, 105)]
    assert {note.frame for note in notes if note.kind == "compared"} == {1, 2, 3, 4, 5, 6, 7}


def test_dark_in_a_row(tmp_path):
    notes = played(tmp_path, (1, 1, 1, 0.01, 0.01, 0.01))
    assert [note.frame for note in notes if note.kind == "in a row"] == [4, 5, 6]


def test_a_file_is_read_once_it_is_whole(tmp_path):
    looker = Looker(tmp_path, (), AIM)
    for number in range(1, 8):
        looker.exposing(number, number)
        write_picture(
            tmp_path / f"P_{number}.jpg", 0.01 if number == 5 else 1, seed=number, upto=0.5 if number == 5 else None
        )
        looked(looker)
        assert not looker.scan()
    assert looker._looked == 4
    write_picture(tmp_path / "P_5.jpg", 0.01, seed=5)
    looker.scan()  # it may still grow
    assert looker._looked == 4
    assert under(looked(looker, 9)) == [(5, 5)]


def test_the_same_file_twice_ends_it(tmp_path):
    looker = Looker(tmp_path, (), AIM)
    for shot in (1, 2):
        looker.exposing(shot, shot)
        write_picture(tmp_path / f"P_{shot}.jpg")
        notes = looked(looker)
    assert [note.text for note in notes] == ["the same picture came twice"]
    assert looker.scan() == []  # it is said once


def test_what_is_no_picture_or_of_another_size_or_gone_is_left_out(tmp_path):
    looker = Looker(tmp_path, (), AIM)
    for number in range(1, 6):
        looker.exposing(number if number != 5 else 0, number)
        write_picture(tmp_path / f"P_{number}.jpg", seed=number, size=2 if number == 3 else 1)
        if number == 2:
            (tmp_path / "P_2.jpg").write_bytes(b"\xff\xd8\xff\xda\0\2\xff\xd9")  # whole by its markers, and empty
        looked(looker)
    assert looker._looked == 5
    assert list(looker._seen) == [1, 4]  # the closing frame has no neighbour
    (tmp_path / "P_6.jpg").write_bytes(b"x")
    looker.exposing(6, 6)
    looker.scan()
    (tmp_path / "P_6.jpg").unlink()
    assert looker.scan() == []


def until(true, seconds=20.0):
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    return true()


@pytest.fixture
def beside(tmp_path, plans):
    """With the optics of a plan: what a test makes up need not be known to another process."""
    write_picture(tmp_path / "OLD.jpg")
    optics = OutOfFocus.of(read_plan(plans / "leaf_beetle.plan.yaml"))
    watcher = BesideTheRun(tmp_path, Aim(focus_um=AIM.focus_um, optics=optics))
    yield watcher
    watcher.close()
    assert not watcher.process.is_alive()


def test_by_its_process_and_without_waiting_for_it(tmp_path, beside):
    notes, slowest_s = [], 0.0
    for number in range(1, 8):
        began_s = time.monotonic()
        beside.exposing(number, number)
        notes += beside.heard()
        slowest_s = max(slowest_s, time.monotonic() - began_s)
        write_picture(tmp_path / f"P_{number}.jpg", 0.01 if number == 3 else 1, seed=number)
    assert slowest_s < 0.1  # both put something into memory; a second would be a wait for the process
    assert until(lambda: notes.extend(beside.heard()) or under(notes))
    assert under(notes) == [(3, 3)]
    beside.process.kill()
    assert until(lambda: beside.ended)
    for number in range(8, 20_000):  # more than a pipe holds
        beside.exposing(number, number)
    assert beside.heard() == []
