"""Which clock the times are of, and how finely it tells them."""

from __future__ import annotations

import os
import random

import pytest
from verifying.evenings import TEN, Card, Evening, evening, lose, verdict_on, without_exif

from stacker.verifying.folder import read_folder


def whole_seconds(frames, cadence_s, *gone):
    """A run whose camera writes whole seconds, all even ones by its rhythm."""
    one = Evening(random=random.Random(1), frames=frames, cadence_s=cadence_s, jitter_s=0.01, now_s=TEN + 0.5)
    one.begin(list(range(1, frames + 1)))
    for frame in range(1, frames + 1):
        one.shoot(frame)
    return lose(one, *gone)


def test_even_capture_times_are_whole_seconds_all_the_same(tmp_path):
    one, card = whole_seconds(39, 2.0, 17), Card(resolution_s=1.0)
    card.write(tmp_path / "card", one)
    folder = read_folder(tmp_path / "card", exif=card.exif)
    assert all(picture.taken_s % 2 == 0 for picture in folder.pictures)
    assert folder.resolution_s == 1.0
    verdict = verdict_on([one.journal(tmp_path)], folder)
    assert (verdict.missing, verdict.doubtful) == ((17,), ())
    # a memory card keeps even seconds: there nothing finer is known
    assert read_folder(tmp_path / "card", exif=without_exif).resolution_s == 2.0


@pytest.mark.parametrize("lost", [(), (9,)])
def test_one_picture_without_a_capture_time_leaves_the_others_theirs(lost, tmp_path):
    """Before, all went by the times at which files were written, which a copy had spoilt here."""
    one, card = lose(evening(frames=30), *lost), Card(offset_s=77.3)
    card.write(tmp_path / "card", one)
    undated = tmp_path / "card" / "PIC_0105.jpg"
    times = {path: taken_s for path, taken_s in card.times.items() if path != undated}
    for path in (tmp_path / "card").iterdir():
        os.utime(path, (5000, 5000))
    folder = read_folder(tmp_path / "card", exif=times.get)
    assert (folder.clock, [path.name for path in folder.undated]) == ("exif", ["PIC_0105.jpg"])
    verdict = verdict_on([one.journal(tmp_path)], folder)
    # it may be frame 6, or the lost frame 9: nobody says of either that it is missing for sure
    assert (verdict.complete, verdict.missing) == (False, ())
    assert verdict.doubtful == (6, *lost)
    assert (verdict.doubtful_least, verdict.doubtful_most) == (len(lost), 1 + len(lost))
    assert verdict.found.undated == ("PIC_0105.jpg",)


def test_a_raw_file_without_a_capture_time_goes_with_its_jpeg(tmp_path):
    one, card = evening(frames=30), Card(endings=("jpg", "rw9"))
    card.write(tmp_path / "card", one)
    folder = read_folder(tmp_path / "card", exif=lambda path: card.exif(path) if path.suffix == ".jpg" else None)
    assert (folder.clock, folder.undated, len(folder.pictures)) == ("exif", (), 30)
    assert verdict_on([one.journal(tmp_path)], folder).complete


def test_where_many_have_none_file_times_decide(tmp_path):
    one, card = evening(frames=30), Card(resolution_s=0.01)
    card.write(tmp_path / "card", one)
    dated = set(sorted((tmp_path / "card").iterdir())[:20])
    folder = read_folder(tmp_path / "card", exif=lambda path: card.exif(path) if path in dated else None)
    assert (folder.clock, folder.undated) == ("file", ())
    assert verdict_on([one.journal(tmp_path)], folder).complete


def test_empty_files_do_not_turn_the_folder_to_file_times(tmp_path):
    one, card = evening(frames=30), Card()
    card.write(tmp_path / "card", one)
    empty = sorted((tmp_path / "card").iterdir())[3:9]
    for path in empty:
        path.write_bytes(b"")
    folder = read_folder(tmp_path / "card", exif=lambda path: None if path in empty else card.exif(path))
    verdict = verdict_on([one.journal(tmp_path)], folder)
    assert (verdict.found.clock, verdict.missing) == ("exif", (4, 5, 6, 7, 8, 9))
    assert len(verdict.damaged) == 6
