"""A file that holds no whole picture never passes for a frame, and is named."""

from __future__ import annotations

import os
import random
import shutil
import struct

import pytest
from examples import examples
from verifying.evenings import Card, Evening, evening, made_up, picture_bytes, verdict_on, without_exif

from stacker.verifying.folder import read_folder

HOWS = ("empty", "cut", "zeros", "neighbour", "small", "foreign")
# of a raw file whose build nobody knows, nobody can see that it was cut or holds something else
TOLD_OF_RAW = ("empty", "zeros", "neighbour", "small")


def damage(path, how, other=None):
    """Spoil a file and keep its time, as a full card or a broken copy does."""
    data, status = path.read_bytes(), path.stat()
    spoilt = {
        "empty": b"",
        "cut": data[: len(data) * 9 // 10],
        "zeros": bytes(len(data)),
        "neighbour": (other or path).read_bytes(),
        "small": picture_bytes("x", 30),
        "foreign": b"<html>" * 60,
    }[how]
    path.write_bytes(spoilt)
    os.utime(path, (status.st_atime, status.st_mtime))


def exif_of(card):
    """A file that does not begin like a picture has no EXIF either."""
    return lambda path: card.exif(path) if path.read_bytes()[:2] == b"\xff\xd8" else None


@pytest.mark.parametrize("exif", [True, False])
@pytest.mark.parametrize("how", HOWS)
def test_a_spoilt_file_is_named_and_its_frame_is_to_be_shot_again(how, exif, tmp_path):
    one, card = evening(), Card(offset_s=-77.2, resolution_s=0.01)
    card.write(tmp_path / "card", one)
    damage(tmp_path / "card" / "PIC_0104.jpg", how, tmp_path / "card" / "PIC_0103.jpg")
    folder = read_folder(tmp_path / "card", exif=exif_of(card) if exif else without_exif)
    verdict = verdict_on([one.journal(tmp_path)], folder)
    assert not verdict.complete
    # the same bytes under two names are one exposure, and nobody can say of which frame
    assert verdict.to_shoot == ((4, 5) if how == "neighbour" else (5,))
    assert "PIC_0104.jpg" in {one.file for one in verdict.damaged}


@pytest.mark.parametrize("how", ["empty", "zeros", "cut"])
def test_a_folder_of_nothing_but_empty_files_is_not_complete(how, tmp_path):
    one, card = evening(), Card()
    card.write(tmp_path / "card", one)
    for path in (tmp_path / "card").iterdir():
        damage(path, how)
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=without_exif))
    assert not verdict.complete
    assert verdict.to_shoot == tuple(range(1, 13))
    assert len(verdict.damaged) == 12


def test_a_file_that_cannot_be_read_is_named(tmp_path, monkeypatch):
    one, card = evening(), Card()
    card.write(tmp_path / "card", one)
    broken, opened = tmp_path / "card" / "PIC_0104.jpg", type(tmp_path).open

    def breaks(path, *arguments, **more):
        if path == broken:
            raise PermissionError(13, "Permission denied")
        return opened(path, *arguments, **more)

    monkeypatch.setattr(type(tmp_path), "open", breaks)
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=without_exif))
    assert [(one.file, one.fault, one.frames) for one in verdict.damaged] == [
        ("PIC_0104.jpg", "unreadable (Permission denied)", (5,))
    ]
    assert verdict.to_shoot == (5,)


def test_a_frame_taken_twice_needs_only_one_whole_picture(tmp_path):
    one = Evening(random=random.Random(4), frames=10, cadence_s=3.0)
    one.begin(list(range(1, 11)))
    for frame in range(1, 7):
        one.shoot(frame, confirmed=frame < 6)
    one.now_s += 90
    one.begin(list(range(6, 11)))
    for frame in range(6, 11):
        one.shoot(frame)
    card = Card()
    card.write(tmp_path / "card", one)
    damage(tmp_path / "card" / "PIC_0105.jpg", "cut")
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert verdict.complete
    assert [(one.file, one.frames) for one in verdict.damaged] == [("PIC_0105.jpg", ())]
    damage(tmp_path / "card" / "PIC_0106.jpg", "cut")
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert verdict.to_shoot == (6,)


def test_a_spoilt_raw_file_beside_a_whole_jpeg_is_told(tmp_path):
    one, card = evening(), Card(endings=("jpg", "rw9"))
    card.write(tmp_path / "card", one)
    damage(tmp_path / "card" / "PIC_0104.rw9", "zeros")
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert (verdict.complete, verdict.missing, verdict.to_shoot) == (False, (), (5,))


def test_a_test_shot_with_a_fault_spoils_no_stack(tmp_path):
    one = evening()
    one.test_shot()
    card = Card()
    card.write(tmp_path / "card", one)
    damage(tmp_path / "card" / "PIC_0112.jpg", "cut")
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert verdict.complete
    assert [one.file for one in verdict.damaged] == ["PIC_0112.jpg"]


def with_sizes(tmp_path, sizes, ending="jpg"):
    one, card = evening(frames=len(sizes)), Card(endings=(ending,))
    card.write(tmp_path / "card", one)
    for path, size in zip(sorted((tmp_path / "card").iterdir()), sizes, strict=True):
        status = path.stat()
        path.write_bytes(picture_bytes(path.name, size) if ending == "jpg" else os.urandom(size))
        os.utime(path, (status.st_atime, status.st_mtime))
    return one, card


@pytest.mark.parametrize(
    ("sizes", "small"),
    [
        ([9000] * 8 + [1500] + [9000] * 3, {9}),
        # out of focus at both ends, bit by bit
        ([600, 900, 1400, 2400, 4000, 7000, 9000, 9000, 9000, 5000, 2600, 1400], set()),
        ([1400, 2600, 5000, 9000, 9000, 9000, 7000, 4000, 2400, 1400, 900, 600], set()),
        ([9000] * 10 + [900, 850], {11, 12}),
        ([1000] * 12, set()),
    ],
)
def test_far_smaller_is_what_does_not_come_down_bit_by_bit(sizes, small, tmp_path):
    one, card = with_sizes(tmp_path, sizes)
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert {frame for one in verdict.damaged for frame in one.frames} == small
    assert verdict.complete == (not small)


def test_the_dark_pictures_of_a_bracket_are_small(tmp_path):
    one, card = with_sizes(tmp_path, [9000, 9000, 1500] * 4)
    folder = read_folder(tmp_path / "card", exif=card.exif, pictures_each=3)
    assert folder.faults == {}
    assert read_folder(tmp_path / "card", exif=card.exif).faults
    assert one.frames == 12


def test_zeros_at_the_end_of_a_raw_file_are_a_fault_where_the_others_have_none(tmp_path):
    one, card = with_sizes(tmp_path, [200_000] * 12, "rw9")
    path = sorted((tmp_path / "card").iterdir())[6]
    data, status = path.read_bytes(), path.stat()
    path.write_bytes(data[:100_000] + bytes(100_000))
    os.utime(path, (status.st_atime, status.st_mtime))
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert verdict.to_shoot == (7,)
    assert verdict.damaged[0].fault == "nothing but zeros in its last 100,000 bytes"
    assert verdict.found.unfollowed == (".rw9",)


@pytest.mark.parametrize("broken", [1, 12])
def test_a_build_that_no_file_of_its_kind_keeps_is_another_build(broken, tmp_path):
    """A raw file may be like a TIFF and name more bytes than it has; one among twelve was cut."""
    one, card = evening(), Card(endings=("rw9",))
    card.write(tmp_path / "card", one)
    entries = struct.pack("<HHIIHHII", 273, 4, 1, 38, 279, 4, 1, 100)  # one strip of 100 bytes from byte 38
    strip = b"II*\0" + struct.pack("<IH", 8, 2) + entries + bytes(4)
    for number, path in enumerate(sorted((tmp_path / "card").iterdir())):
        status = path.stat()
        path.write_bytes(strip + os.urandom(50 if number < broken else 200))
        os.utime(path, (status.st_atime, status.st_mtime))
    folder = read_folder(tmp_path / "card", exif=card.exif)
    assert (len(folder.faults), folder.unfollowed) == ((1, ()) if broken == 1 else (0, (".rw9",)))
    assert verdict_on([one.journal(tmp_path)], folder).complete == (broken == 12)


def spoilt(seed, tmp_path):
    """An evening with some files spoilt. Returns whether any was."""
    one, card, exif = made_up(seed)
    chance = random.Random(-seed - 1)
    folder = tmp_path / f"spoilt{seed}"
    card.write(folder, one)
    kept = [exposure for exposure in one.kept() if exposure.frame is not None]
    hit = chance.sample(kept, min(len(kept), chance.choice([0, 1, 1, 2, 4])))
    others = [one.number for one in kept if one not in hit]
    hit = hit if others else []  # a file is spoilt beside whole ones
    hows = {exposure.number: chance.choice(HOWS if card.endings == ("jpg",) else TOLD_OF_RAW) for exposure in hit}
    for number, how in hows.items():
        ending = chance.choice(card.endings)
        neighbour = min(others, key=lambda other: (abs(other - number), other))
        mine, other = (folder / f"{card.prefix}{which:04}.{ending}" for which in (number, neighbour))
        damage(mine, how, other)
    journal = one.journal(tmp_path, f"{seed}-20310504-220000.run.jsonl")
    found = read_folder(folder, exif=without_exif if exif is without_exif else exif_of(card))
    verdict = verdict_on([journal], found)
    wanting = {exposure.frame for exposure in hit} - {exposure.frame for exposure in kept if exposure not in hit}
    wanting |= one.missing()
    assert not (wanting and verdict.complete), f"seed {seed}: called complete, {wanting} wanting, {hows}"
    assert wanting <= {*verdict.to_shoot, *verdict.pending}, f"seed {seed}: {wanting} wanting, {hows}"
    shutil.rmtree(folder)
    return bool(hit)


def test_a_spoilt_file_is_never_taken_for_a_frame_in_some_evenings(tmp_path):
    assert {spoilt(seed, tmp_path) for seed in range(examples(32))} == {True, False}


@pytest.mark.campaign
def test_a_spoilt_file_is_never_taken_for_a_frame_in_300_evenings(tmp_path):
    for seed in range(2000, 2300):
        spoilt(seed, tmp_path)
