"""``stacker verify --look``: what the pictures of a run show, from the command line."""

from __future__ import annotations

import io
import json
import os
import random
import re
import sys
from pathlib import Path

import numpy as np
import pytest
from darkroom.flashes import grainy, stack
from PIL import Image
from PIL.TiffImagePlugin import IFDRational
from verifying.evenings import Card, evening, lose

from stacker.cli import looking
from stacker.cli.streams import Screened

FRAMES = 12


@pytest.fixture(scope="module")
def pictures():
    """Rendered frames by their light: as meant, and dark."""
    rng = np.random.default_rng(1)
    usual = stack(grainy(rng, (256, 336)), np.zeros(FRAMES), rng)
    dark = stack(grainy(rng, (256, 336)), np.full(FRAMES, -7.0), rng)
    return usual, dark


def develop(path: Path, picture: np.ndarray, **settings) -> None:
    """A file in the place of a made-up one, which keeps its time."""
    status = path.stat()
    exif = Image.Exif()
    numbers = {"f_number": 0x829D, "iso": 0x8827}
    exif.get_ifd(0x8769).update({numbers[name]: value for name, value in settings.items()})
    Image.fromarray(picture).save(path, "JPEG", quality=92, exif=exif)
    os.utime(path, ns=(status.st_mtime_ns, status.st_mtime_ns))


@pytest.fixture
def shot(tmp_path, pictures):
    """Journal and folder of a run; some frames dark, some lost, one with other settings."""
    usual, dark = pictures

    def make(dark_ones=(), *, lost=(), stopped_down=(), **more):
        one = lose(evening(FRAMES, 4.0, random.Random(1), **more), *lost)
        card = tmp_path / "card"
        Card(resolution_s=0.01).write(card, one)
        for exposure in one.kept():
            place = exposure.frame - 1
            f_number = IFDRational(80 if exposure.frame in stopped_down else 56, 10)
            path = card / f"PIC_{exposure.number:04}.jpg"
            develop(path, (dark if exposure.frame in dark_ones else usual)[place], f_number=f_number, iso=100)
        return one.journal(tmp_path), card

    return make


def test_a_dark_frame_is_named_with_the_command_that_takes_it_again(stacker, shot):
    journal, card = shot([5])
    assert stacker("verify", card, "--journal", journal).code == 0
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 1
    assert done.out.startswith("All 12 frames are there, and their pictures show faults.")
    assert "Looked into 12 pictures (" in done.out
    assert "light    frame 5 is dark: " in done.out
    assert "stops under its neighbours" in done.out
    assert "\n         the other 11 within 0.0" in done.out
    assert f"Next: stacker drive {journal.with_name('moss.plan.yaml')} --frames 5 --go --front-at-mm 31.5" in done.err
    assert "not looked at" not in done.out
    assert max(map(len, done.out.splitlines())) <= 80


def test_where_nothing_is_found_the_exit_code_is_0(stacker, shot):
    journal, card = shot()
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 0
    assert done.out.startswith("Complete: all 12 frames are there.")
    assert "light    12 of 12 within 0.0" in done.out
    assert "settings the same in all that tell them: f/5.6, ISO 100" in done.out
    assert "not written, so nobody can tell: exposure time, focal length, white" in done.out
    assert not any(word in done.out for word in ("sharp", "proved", "good"))


@pytest.mark.parametrize(
    ("frames", "told", "code", "again"),
    [
        (range(6, 13), "moved    from 5 to 6 a part at the upper left (", 1, None),
        ([6], "moved    in frame 6 alone a part at the upper left (", 1, "--frames 6 --go"),
        ([], "moved    11 of 11 pairs compared, where ", 0, None),
    ],
    ids=["stays", "comes back", "nothing"],
)
def test_a_part_that_moved_is_named(stacker, shot, pictures, frames, told, code, again):
    journal, card = shot()
    for frame in frames:
        moved = pictures[0][frame - 1].copy()
        moved[30:100, 40:130] = pictures[0][frame - 1][26:96, 37:127]
        develop(sorted(card.iterdir())[frame - 1], moved, f_number=IFDRational(56, 10), iso=100)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == code
    assert told in done.out
    assert ("puts that right" in " ".join(done.out.split())) == (len(frames) > 1)
    assert max(map(len, done.out.splitlines())) <= 80
    assert again is None or again in done.err


def test_what_is_missing_and_what_is_dark_are_taken_in_one_run(stacker, shot):
    journal, card = shot([5], lost=[9])
    done = stacker("verify", card, "--journal", journal, "--look")
    assert "Looked into 11 pictures" in done.out
    assert "Not into those of" not in done.out
    assert "--frames 5,9 --go" in done.err


def test_another_f_number_is_found(stacker, shot):
    journal, card = shot(stopped_down=[3, 4])
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 1
    assert "settings f-number changes: f/8 in frames 3-4, else f/5.6" in done.out
    assert "--frames 3-4 --go" in done.err


def test_the_second_time_only_new_files_are_read(stacker, shot, monkeypatch):
    journal, card = shot([5])
    before = stacker("verify", card, "--journal", journal, "--look").out
    kept = journal.with_name("moss-20310504-220000.looks")
    assert kept.is_file()
    read = []
    from stacker.looking import look_at, seen

    monkeypatch.setattr(look_at, "look_into", lambda path: read.append(path.name) or seen.look_into(path))
    again = stacker("verify", card, "--journal", journal, "--look").out
    assert read == []
    assert "12 of them known from before" in again
    assert [line for line in again.splitlines() if "Looked" not in line] == [
        line for line in before.splitlines() if "Looked" not in line
    ]
    os.utime(card / "PIC_0103.jpg", ns=((card / "PIC_0103.jpg").stat().st_mtime_ns + 10_000_000,) * 2)
    stacker("verify", card, "--journal", journal, "--look")
    assert read == ["PIC_0103.jpg"]
    kept.write_bytes(b"damaged")
    done = stacker("verify", card, "--journal", journal, "--look")
    assert len(read) == 13
    assert f"{kept}: not kept for the next look (exists and holds something else)" in done.err
    assert kept.read_bytes() == b"damaged"


def test_what_was_seen_until_ctrl_c_is_kept(stacker, shot, monkeypatch):
    journal, card = shot()
    read = []
    from stacker.looking import look_at, seen

    def look_into(path):
        if len(read) == 5:
            raise KeyboardInterrupt
        read.append(path.name)
        return seen.look_into(path)

    monkeypatch.setattr(look_at, "look_into", look_into)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert (done.code, done.out, done.err.strip()) == (1, "", "stopped.")
    before, read[:] = list(read), []
    monkeypatch.setattr(look_at, "look_into", lambda path: read.append(path.name) or seen.look_into(path))
    done = stacker("verify", card, "--journal", journal, "--look")
    assert "5 of them known from before" in done.out
    assert not set(read) & set(before)


def test_a_memory_in_the_folder_of_pictures_is_no_picture(stacker, shot, tmp_path):
    journal, card = shot()
    there = card / journal.name
    journal.rename(there)
    for _ in range(2):
        done = stacker("verify", card, "--journal", there, "--look")
        assert done.code == 0
        assert "no frame of this run" not in done.out


def test_json_holds_what_was_found(stacker, shot):
    journal, card = shot([5])
    done = stacker("verify", card, "--journal", journal, "--look", "--json")
    assert done.code == 1
    (result,) = json.loads(done.out)["result"]["stacks"]
    look = result["look"]
    assert (look["found"], look["to_take_again"]) == (True, [5])
    (light,) = look["light"]
    assert light["off"][0]["frames"] == [5]
    assert look["files"][0]["5"] == "PIC_0104.jpg"
    assert "--frames 5 --go" in result["commands"][0]
    done = stacker("verify", card, "--journal", journal, "--look", "--quiet")
    assert (done.code, done.out) == (1, "")


def test_the_page_holds_what_was_found_and_the_frames_beside(stacker, shot, tmp_path):
    journal, card = shot([5, 6])
    page = tmp_path / "page.html"
    done = stacker("verify", card, "--journal", journal, "--look", "--page", page)
    assert done.code == 1
    assert f"Page written to {page}" in done.err
    text = page.read_text(encoding="utf-8")
    assert "frame 5 is dark: " in text
    assert re.findall('alt="(Frame [0-9]+)"', text) == ["Frame 4", "Frame 5", "Frame 6"]
    assert text.count("data:image/jpeg;base64,") == 3
    assert stacker("verify", card, "--journal", journal, "--look", "--page", page).code == 1  # written over


def test_the_page_takes_no_other_file_s_place_and_needs_the_look(stacker, shot, tmp_path):
    journal, card = shot()
    done = stacker("verify", card, "--journal", journal, "--page", tmp_path / "page.html")
    assert (done.code, "--page shows what --look finds: give both" in done.err) == (2, True)
    (tmp_path / "mine.html").write_text("mine")
    done = stacker("verify", card, "--journal", journal, "--look", "--page", tmp_path / "mine.html")
    assert (done.code, done.out) == (1, "")  # told before anything is looked into
    assert "choose another name with --page" in done.err
    assert (tmp_path / "mine.html").read_text() == "mine"


def test_without_the_extra_it_says_how_to_get_it(stacker, shot, monkeypatch):
    journal, card = shot()
    monkeypatch.setitem(sys.modules, "PIL", None)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 1
    assert 'pip install ".[look]"' in done.err
    assert stacker("verify", card, "--journal", journal).code == 0


def test_what_cannot_be_opened_is_found_and_what_has_no_preview_is_not(stacker, shot):
    journal, card = shot()
    path = card / "PIC_0106.jpg"
    status, data = path.stat(), path.read_bytes()
    broken = data.replace(b"\xff\xdb", b"\xff\xfe")  # its tables of quantisation are comments now: whole, unreadable
    path.write_bytes(broken)
    os.utime(path, ns=(status.st_mtime_ns,) * 2)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 1
    assert "Frame 7: PIC_0106.jpg cannot be opened, though its bytes look whole." in done.out
    for path in list(card.glob("*.jpg")):
        status = path.stat()
        path.unlink()
        path.with_suffix(".rw9").write_bytes(f"a raw file without a JPEG inside: {path.name}".encode())
        os.utime(path.with_suffix(".rw9"), ns=(status.st_mtime_ns,) * 2)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 0, done.out
    assert "Frame 1: cannot tell, because PIC_0100.rw9 cannot be read here" in done.out
    assert "and 6 more like these" in done.out
    assert "light    cannot tell, because" in done.out
    assert max(map(len, done.out.splitlines())) <= 80


def test_a_frame_taken_again_is_looked_into_as_it_is_now(stacker, shot, pictures, tmp_path):
    from verifying.test_stacks import run_again

    usual, _ = pictures
    journal, card = shot([5])
    one = evening(FRAMES, 4.0, random.Random(1))
    again = run_again(one, [5])
    Card(resolution_s=0.01).write(tmp_path / "more", again)
    (new,) = (tmp_path / "more").glob("*.jpg")
    develop(new, usual[4], f_number=IFDRational(56, 10), iso=100)
    new.rename(card / new.name)
    second = again.journal(tmp_path, "moss-20310504-221000.run.jsonl")
    done = stacker("verify", card, "--journal", journal, "--journal", second, "--look")
    assert done.code == 0, done.out
    assert "Taken more than once, so the latest was looked into: 5." in done.out


def test_pictures_whose_frames_are_in_doubt_are_not_looked_into(stacker, shot):
    journal, card = shot([5], lost=[1])  # or the last: at this even rhythm nobody can say
    done = stacker("verify", card, "--journal", journal, "--look", "--bracket", "1")
    assert "1 of these: 1 (0.040 mm), 12 (0.480 mm)" in done.out
    assert "Looked into 0 pictures" in done.out
    assert "Not into those of frames 1-12: no picture there is certainly theirs" in done.out
    assert "is dark" not in done.out


class Terminal(io.StringIO):
    """Somebody reads what is written."""

    def isatty(self):
        return True


def test_progress_is_one_line_that_is_gone_at_the_end(monkeypatch):
    below = Terminal()
    monkeypatch.setattr(sys, "stderr", Screened(below))
    monkeypatch.setattr(looking, "_EVERY_S", 0.0)
    bar = looking._Bar(40, quiet=False)
    for done in (1, 20, 40):
        bar.show(done)
    bar.wipe()
    lines = below.getvalue().split("\r")
    assert lines[2].startswith("[###############...............] 20 of 40 pictures, ")
    assert lines[-2:] == [" " * 79, ""]
    assert not {"\n", "?"} & set(below.getvalue())
    assert max(map(len, lines)) < 80
    below.truncate(0)
    looking._Bar(40, quiet=True).show(1)
    assert below.getvalue() == ""


def test_explain_knows_the_words_of_the_look(stacker):
    for word in ("dark", "dimmer by", "brighter by", "cannot tell", "stops", "light", "settings"):
        assert stacker("explain", word).code == 0, word
