"""Made-up evenings: whatever happened to the files, a missing frame is never overlooked."""

from __future__ import annotations

import json
import random
import shutil

import pytest
from examples import examples
from verifying.evenings import (
    Card,
    Evening,
    evening,
    judge,
    lose,
    made_up,
    picture_bytes,
    shuffled,
    verdict_on,
    without_exif,
)

from stacker.documents.plan import COLUMNS
from stacker.errors import InputError, Refusal
from stacker.verifying.folder import read_folder


def test_a_whole_stack_is_complete_and_every_frame_has_its_file(tmp_path):
    verdict = judge(evening(), tmp_path)
    assert verdict.complete
    assert verdict.files == {frame: (f"PIC_{frame + 99:04}.jpg",) for frame in range(1, 13)}


def test_a_lost_frame_is_named_with_its_depth(tmp_path):
    verdict = judge(lose(evening(), 5), tmp_path)
    assert not verdict.complete
    assert (verdict.missing, verdict.doubtful) == ((5,), ())
    assert verdict.focus_mm == {5: 0.2}
    assert verdict.to_shoot == (5,)


@pytest.mark.parametrize("frame", [1, 12])
def test_at_an_even_rhythm_a_lost_first_frame_looks_like_a_lost_last_one(tmp_path, frame):
    verdict = judge(lose(evening(), frame), tmp_path)
    assert (verdict.missing, verdict.doubtful, verdict.doubtful_least) == ((), (1, 12), 1)


def test_a_camera_that_did_not_fire_leaves_no_hole_in_the_numbers(tmp_path):
    one = Evening(random=random.Random(1), frames=9, cadence_s=3.0)
    one.begin(list(range(1, 10)))
    for frame in range(1, 10):
        one.shoot(frame, fires=frame != 4)
    assert judge(one, tmp_path).missing == (4,)


def test_test_shots_before_and_after_belong_to_no_frame(tmp_path):
    one = Evening(random=random.Random(2), frames=9, cadence_s=3.0)
    one.test_shot()
    one.now_s += 20
    one.begin(list(range(1, 10)))
    for frame in range(1, 10):
        one.shoot(frame)
    one.test_shot()
    verdict = judge(one, tmp_path)
    assert verdict.complete
    assert verdict.found.extra == ("PIC_0100.jpg", "PIC_0110.jpg")


def test_a_counter_that_rolls_over_is_followed(tmp_path):
    verdict = judge(lose(evening(frames=30, counter=9990), 10, 12), tmp_path)
    # frame 10 would be 9999, frame 12 0002
    assert verdict.missing == (10, 12)
    assert verdict.out_of_order == ()
    assert verdict.files[11] == ("PIC_0001.jpg",)


def test_raw_and_jpeg_are_one_exposure_and_half_a_pair_is_told(tmp_path):
    one, card = evening(), Card(endings=("jpg", "rw9"))
    card.write(tmp_path / "card", one)
    (tmp_path / "card" / "PIC_0103.rw9").unlink()
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert verdict.found.pictures == 12
    assert not verdict.complete
    assert (verdict.missing, verdict.halves, verdict.to_shoot) == ((), (4,), (4,))


def test_copies_are_set_aside_by_name_and_by_content(tmp_path):
    one, card = evening(), Card()
    card.write(tmp_path / "card", one)
    first = tmp_path / "card" / "PIC_0100.jpg"
    lost = tmp_path / "card" / "PIC_0105.jpg"
    lost.unlink()
    for name in ("PIC_0100 (1).jpg", "PIC_0100 copy.jpg", "PIC_0105x7.jpg"):
        shutil.copy(first, first.with_name(name))
        card.times[first.with_name(name)] = card.times[first]
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif))
    assert len(verdict.found.copies) == 3
    assert verdict.missing == (6,)


def test_a_bracket_lacks_a_frame_as_soon_as_one_of_its_pictures_is_gone(tmp_path):
    one = Evening(random=random.Random(3), frames=8, cadence_s=6.0)
    one.begin(list(range(1, 9)))
    for frame in range(1, 9):
        one.shoot(frame)
        for _ in range(2):
            one.now_s += 0.8
            one.expose(frame)
    gone = [exposure for exposure in one.exposures if exposure.frame == 4][1]
    assert judge(one, tmp_path, pictures_each=3).complete
    (tmp_path / "card" / f"PIC_{gone.number:04}.jpg").unlink()
    verdict = judge(replace_gone(one, gone), tmp_path, pictures_each=3)
    assert not verdict.complete
    assert 4 in verdict.missing + verdict.doubtful


def replace_gone(one, gone):
    gone.gone = True
    return one


@pytest.mark.parametrize(("fires", "times"), [(False, 1), (True, 2)])
def test_an_ambiguous_frame_may_have_one_file_or_two(tmp_path, fires, times):
    one = Evening(random=random.Random(4), frames=10, cadence_s=3.0)
    one.begin(list(range(1, 11)))
    for frame in range(1, 6):
        one.shoot(frame)
    one.shoot(6, fires=fires, confirmed=False)
    one.now_s += 90
    one.begin(list(range(6, 11)))
    for frame in range(6, 11):
        one.shoot(frame)
    verdict = judge(one, tmp_path)
    assert verdict.doubled == ((6,) if fires else ())
    # without a picture of the ambiguous shot, frames 2 to 6 would fit the times of frames 1 to 5 just as well,
    # were the clocks not known to agree
    assert verdict.complete, times


def test_frames_shot_again_on_another_day_count_with_their_own_journal(tmp_path):
    first, card = lose(evening(), 5), Card(offset_s=77.3)
    card.write(tmp_path / "card", first)
    again = Evening(random=random.Random(5), frames=12, cadence_s=3.0, now_s=first.now_s + 80_000, counter=300)
    again.begin([5])
    again.shoot(5)
    card.write(tmp_path / "card", again)
    folder = read_folder(tmp_path / "card", exif=card.exif)
    journals = [first.journal(tmp_path), again.journal(tmp_path, "moss-20310505-200000.run.jsonl")]
    assert verdict_on(journals[:1], folder).missing == (5,)
    verdict = verdict_on(journals, folder)
    assert verdict.complete
    assert verdict.out_of_order == (5,)


def test_a_run_stopped_early_names_what_was_never_shot(tmp_path):
    one = Evening(random=random.Random(6), frames=10, cadence_s=3.0)
    one.begin(list(range(1, 11)))
    for frame in range(1, 7):
        one.shoot(frame)
    verdict = judge(one, tmp_path)
    assert not verdict.complete
    assert verdict.not_shot == verdict.pending == (7, 8, 9, 10)


def test_what_a_picture_took_back_is_not_taken_until_it_is_taken_again(tmp_path):
    """Three frames at which the rail stood still: their pictures are there, and none of them counts."""
    one = evening()
    one.take_back(10, 11, 12)
    verdict = judge(one, tmp_path)
    assert not verdict.complete
    assert verdict.pending == (10, 11, 12)
    one.now_s += 60
    one.begin([10, 11, 12])
    for frame in (10, 11, 12):
        one.shoot(frame)
    verdict = judge(one, tmp_path)
    assert verdict.complete
    again = [exposure.number for exposure in one.exposures[-3:]]
    assert [verdict.files[frame][-1] for frame in (10, 11, 12)] == [f"PIC_{number:04}.jpg" for number in again]
    lose(one, 11)  # both of its pictures
    one.exposures[10].gone = False  # but the one that was taken back is found
    (tmp_path / "card" / f"PIC_{again[1]:04}.jpg").unlink()
    assert 11 in judge(one, tmp_path).to_shoot


def test_files_whose_times_were_lost_in_copying_prove_nothing(tmp_path):
    one = evening(frames=40)
    card = Card(offset_s=0)
    card.write(tmp_path / "card", one)
    copied = dict.fromkeys(card.times, 5000.0)
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=copied.get))
    assert not verdict.complete
    assert not verdict.times_fit


def test_an_empty_folder_lacks_everything(tmp_path):
    (tmp_path / "card").mkdir()
    folder = read_folder(tmp_path / "card", exif=without_exif)
    assert verdict_on([evening().journal(tmp_path)], folder).missing == tuple(range(1, 13))


def test_sidecars_and_hidden_files_are_no_pictures(tmp_path):
    one, card = evening(), Card()
    card.write(tmp_path / "card", one)
    for name in ("PIC_0100.xmp", "notes.txt", ".PIC_0100.jpg", "MOVIE_0001.mp4"):
        (tmp_path / "card" / name).write_bytes(b"")
    assert read_folder(tmp_path / "card", exif=card.exif).pictures.__len__() == 12


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("PIC_0100.rw9", True),  # raw files have too many endings to list
        ("PIC_0100.JPG", True),
        ("best.jpg", True),  # renamed by somebody
        ("PIC_0100 copy.rw9", True),  # a copy may be all that is left
        ("PIC_0100", False),
        ("PIC_0100.xmp", False),
        ("PIC_0100.MOV", False),
        ("catalogue.rw9", False),
        ("folder_0100.jpg/", False),
    ],
)
def test_what_counts_as_a_picture(tmp_path, name, counts):
    if name.endswith("/"):
        (tmp_path / name).mkdir()
    else:
        (tmp_path / name).write_bytes(picture_bytes(name))
    found = read_folder(tmp_path, exif=without_exif).pictures
    assert [str(file) for picture in found for file in picture.files] == [name] * counts


def test_journals_of_two_plans_are_refused(tmp_path):
    first, second = evening(), evening()
    second.lines[0]["plan"]["digest"] = "other"
    for row in second.lines[0]["plan"]["rows"]:
        row[list(COLUMNS).index("position_microsteps")] += 7
    (tmp_path / "card").mkdir()
    folder = read_folder(tmp_path / "card", exif=without_exif)
    with pytest.raises(Refusal, match="different plans"):
        verdict_on([first.journal(tmp_path, "a"), second.journal(tmp_path, "b")], folder)


def test_a_damaged_journal_is_told_with_its_line(tmp_path):
    journal = evening().journal(tmp_path)
    lines = journal.read_text().splitlines()
    lines[3] = lines[3][:-9]
    journal.write_text("\n".join(lines) + "\n")
    (tmp_path / "card").mkdir()
    with pytest.raises(InputError, match=r"run.jsonl:4:"):
        verdict_on([journal], read_folder(tmp_path / "card", exif=without_exif))


def test_real_exif_is_read_with_its_fraction_of_a_second(tmp_path):
    pytest.importorskip("exifread")
    image = pytest.importorskip("PIL.Image")
    picture = image.new("L", (8, 8))
    exif = image.Exif()
    # DateTimeOriginal and SubSecTimeOriginal in the EXIF IFD (CIPA DC-008, tags 9003 and 9291 hex)
    exif.get_ifd(0x8769).update({0x9003: "2031:05:04 22:00:07", 0x9291: "25"})
    (tmp_path / "card").mkdir()
    picture.save(tmp_path / "card" / "PIC_0001.jpg", exif=exif)
    picture.save(tmp_path / "card" / "PIC_0002.jpg", exif=exif)
    folder = read_folder(tmp_path / "card")
    assert folder.clock == "exif"
    # 2031-05-04T22:00:07 UTC: date -u -d ... +%s
    assert folder.pictures[0].taken_s == 1935698407.25


# --------------------------------------------------------------------------------------------------- the campaign


def check(seed, tmp_path):
    """Returns whether a frame is missing, and how many frames are named beyond those."""
    one, card, exif = made_up(seed)
    folder = tmp_path / f"card{seed}"
    card.write(folder, one)
    shuffled(card, folder, random.Random(-seed))
    verdict = verdict_on([one.journal(tmp_path, f"{seed}-20310504-220000.run.jsonl")], read_folder(folder, exif=exif))
    missing = one.missing()
    named = {*verdict.missing, *verdict.doubtful, *verdict.not_shot}
    assert not (missing and verdict.complete), f"seed {seed}: called complete, {missing} missing"
    assert missing <= named, f"seed {seed}: {missing} missing, {named} named"
    assert set(verdict.missing) <= missing, f"seed {seed}: {missing} missing, {verdict.missing} named for certain"
    sure = len(verdict.missing) + len(verdict.not_shot)
    least, most = sure + verdict.doubtful_least, sure + verdict.doubtful_most
    assert least <= len(missing) <= most, f"seed {seed}: {least} to {most} told, {len(missing)} missing"
    shutil.rmtree(folder)
    return bool(missing), len(named - missing), verdict.complete


def test_a_missing_frame_is_never_overlooked_in_some_evenings(tmp_path):
    assert {missing for missing, _, _ in (check(seed, tmp_path) for seed in range(examples(40)))} == {True, False}


@pytest.mark.parametrize("seed", [1089, 1185, 1197, 1269])
def test_no_more_frames_are_called_missing_than_by_the_kindest_reading(seed, tmp_path):
    """A frame that was shot again after a stop has two shots; a picture at the one not needed fills no gap."""
    check(seed, tmp_path)


def test_a_place_where_all_pictures_fit_by_chance_is_not_the_only_one(tmp_path):
    """Frames 1, 4 and 7 lost, a rhythm of 1.2 s, even seconds: with the narrowest allowance all fitted one place on."""
    check(2013, tmp_path)


def beside(seed):
    """An evening with one picture too many beside the run and, by the seed's choice, one frame lost in its middle."""
    chance = random.Random(seed)
    n, cadence_s = chance.choice([20, 60, 120]), chance.choice([2.06, 3.0, 4.7])
    one = Evening(random=chance, frames=n, cadence_s=cadence_s, jitter_s=chance.choice([0.005, 0.03]))
    stray_s, before = chance.choice([0.58, 1, 1.5, 2, 3]) * cadence_s, chance.random() < 0.5
    one.now_s += 20
    if before:
        one.expose(None)
        one.now_s += stray_s - cadence_s
    one.begin(list(range(1, n + 1)))
    for frame in range(1, n + 1):
        one.shoot(frame)
    if not before:
        one.now_s += stray_s
        one.expose(None)
    if chance.random() < 0.7:
        lose(one, chance.randint(2, n - 1))
    return one, Card(offset_s=chance.uniform(-3000, 3000), resolution_s=chance.choice([0.01, 1]))


def told_beside(seed, tmp_path):
    """Returns whether a frame is missing, and whether the stack was called complete."""
    one, card = beside(seed)
    folder = tmp_path / f"beside{seed}"
    card.write(folder, one)
    exif = card.exif if seed % 2 else without_exif
    verdict = verdict_on([one.journal(tmp_path, f"{seed}-20310504-220000.run.jsonl")], read_folder(folder, exif=exif))
    missing = one.missing()
    assert not (missing and verdict.complete), f"seed {seed}: called complete, {missing} missing"
    assert missing <= {*verdict.missing, *verdict.doubtful}, f"seed {seed}"
    shutil.rmtree(folder)
    return bool(missing), verdict.complete


def test_a_picture_beside_the_run_never_stands_for_a_frame_lost_in_its_middle(tmp_path):
    """A wide allowance for the times of files once moved half the run by one rhythm to make room for it."""
    told = [told_beside(seed, tmp_path) for seed in range(examples(32))]
    assert {missing for missing, _ in told} == {True, False}


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_where_a_stray_picture_keeps_the_rhythm_both_ends_are_in_doubt(seed, tmp_path):
    """Frame 1 lost and a picture one rhythm after frame 20, or the other way round: the times alone cannot tell."""
    one = evening(frames=20, cadence_s=3.0, jitter_s=0.1, chance=random.Random(seed))
    one.now_s += one.cadence_s
    one.expose(None)
    Card(resolution_s=0.01, lag_s=0.3).write(tmp_path / "card", lose(one, 1))
    verdict = verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=without_exif))
    assert not verdict.complete
    assert {1, 20} <= set(verdict.doubtful)


@pytest.mark.parametrize("exif", [True, False])
@pytest.mark.parametrize("early_s", [0.9, 1.4, 1.9])
def test_a_picture_taken_while_the_rail_settled_never_stands_for_the_frame(tmp_path, exif, early_s):
    """It lies between intent and answer, where a damaged answer would put a frame too."""
    one, card = Evening(random=random.Random(3), frames=20, cadence_s=3.0), Card(resolution_s=0.01)
    one.begin(list(range(1, 21)))
    for frame in range(1, 21):
        one.shoot(frame)
        if frame == 8:
            lose(one, 8)
            one.now_s -= early_s
            one.expose(None)
            one.now_s += early_s
    card.write(tmp_path / "card", one)
    folder = read_folder(tmp_path / "card", exif=card.exif if exif else without_exif)
    verdict = verdict_on([one.journal(tmp_path)], folder)
    assert not verdict.complete
    assert 8 in {*verdict.missing, *verdict.doubtful}


@pytest.mark.campaign
def test_a_picture_beside_the_run_never_stands_for_a_lost_frame_in_300_evenings(tmp_path):
    for seed in range(100, 400):
        told_beside(seed, tmp_path)


@pytest.mark.parametrize("lag_s", [0.0, 0.3, 0.9])
def test_a_whole_stack_is_called_complete_by_file_times_that_lag(tmp_path, lag_s):
    """The doubt that a picture could be a stray one must not swallow every whole stack."""
    complete, evenings = 0, examples(20)
    for seed in range(evenings):
        chance = random.Random(seed)
        one = Evening(random=chance, frames=60, cadence_s=2.06)
        one.begin(list(range(1, 61)))
        for frame in range(1, 61):
            one.shoot(frame)
        folder = tmp_path / str(seed)
        Card(resolution_s=0.01, lag_s=lag_s).write(folder, one)
        complete += verdict_on(
            [one.journal(tmp_path, f"{seed}.jsonl")], read_folder(folder, exif=without_exif)
        ).complete
    assert complete >= 0.9 * evenings  # a writing time at the edge of an allowance leaves a doubt now and then


@pytest.mark.campaign
def test_a_missing_frame_is_never_overlooked_in_500_evenings(tmp_path):
    told = [check(seed, tmp_path) for seed in range(1000, 1500)]
    whole = [complete for missing, _, complete in told if not missing]
    # An ambiguous shot without a file can stand for a lost first frame, and a file at an unlikely moment for a stray
    # picture: then nobody can call a whole stack complete. 91 of these 102 are: by the narrowest allowance
    # for the clock and by the next wider one. Fewer would be a change of the rules.
    assert sum(whole) >= 0.89 * len(whole)
    beyond = sorted(more for missing, more, _ in told if missing)
    # half of the incomplete stacks are named to the frame or with the one that looks alike
    assert beyond[len(beyond) // 2] <= 1


def test_the_journal_is_read_through_the_journals_own_module(tmp_path):
    """A torn last line, as a kill leaves it, is left out."""
    one = evening()
    journal = one.journal(tmp_path)
    with journal.open("a") as file:
        file.write(json.dumps(one.lines[-1])[:-7])
    Card().write(tmp_path / "card", one)
    assert verdict_on([journal], read_folder(tmp_path / "card", exif=without_exif)).complete
