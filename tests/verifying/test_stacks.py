"""A plan that was run twice is two stacks; a run of some of its frames belongs to one; trials belong to none."""

from __future__ import annotations

import random

import pytest
from examples import examples
from verifying.evenings import Card, Evening, evening, lose, verdict_on, without_exif

from stacker.documents import journal as journals
from stacker.errors import Refusal
from stacker.verifying.folder import read_folder
from stacker.verifying.shots import read_run
from stacker.verifying.verify import verify

FIRST, SECOND, THIRD = (f"moss-20310504-22{minute}.run.jsonl" for minute in ("0000", "1000", "2000"))


def run_again(before, frames=None, later_s=600.0, seed=7):
    """The same plan once more on the same card, or some of its frames."""
    one = Evening(
        random=random.Random(seed),
        frames=before.frames,
        cadence_s=before.cadence_s,
        now_s=before.now_s + later_s,
        counter=before.counter,
    )
    wanted = frames or list(range(1, before.frames + 1))
    one.begin(wanted)
    for frame in wanted:
        one.shoot(frame)
    return one


def on_one_card(tmp_path, *evenings, resolution_s=1.0, exif=True):
    card = Card(offset_s=-4321.7, resolution_s=resolution_s)
    for one in evenings:
        card.write(tmp_path / "card", one)
    return read_folder(tmp_path / "card", exif=card.exif if exif else without_exif)


def runs(tmp_path, *evenings):
    names = (FIRST, SECOND, THIRD)
    return [read_run(one.journal(tmp_path, name)) for one, name in zip(evenings, names, strict=False)]


@pytest.mark.parametrize("exif", [True, False])
def test_a_frame_lost_from_the_second_of_two_stacks_is_missed(exif, tmp_path):
    first = evening(frames=30)
    second = lose(run_again(first), 12)
    folder = on_one_card(tmp_path, first, second, exif=exif)
    one, other = verify(runs(tmp_path, first, second), folder)
    assert (one.complete, other.complete) == (True, False)
    assert other.missing == (12,)
    assert [name[-len(SECOND) :] for name in other.journals] == [SECOND]


def test_the_order_in_which_journals_are_named_does_not_matter(tmp_path):
    first = lose(evening(frames=30), 3)
    second = run_again(first)
    folder = on_one_card(tmp_path, first, second)
    one, other = verify(runs(tmp_path, first, second)[::-1], folder)
    assert (one.missing, other.complete) == ((3,), True)


def test_frames_shot_again_belong_to_the_stack_before_them(tmp_path):
    first = lose(evening(frames=30), 3)
    second = lose(run_again(first), 12)
    again = run_again(second, [12])
    folder = on_one_card(tmp_path, first, second, again)
    one, other = verify(runs(tmp_path, first, second, again), folder)
    assert (one.missing, other.complete) == ((3,), True)
    assert len(other.journals) == 2


def test_a_trial_of_the_ends_stands_for_no_frame(tmp_path):
    trial = evening(frames=30)
    trial.exposures, trial.lines, trial.now_s = [], [], trial.now_s - 900
    trial.begin([1, 15, 30])
    trial.lines[0]["kind"] = "ends"
    for frame in (1, 15, 30):
        trial.shoot(frame)
    full = lose(run_again(trial), 15)
    folder = on_one_card(tmp_path, trial, full)
    (verdict,) = verify(runs(tmp_path, trial, full), folder)
    assert verdict.missing == (15,)


@pytest.mark.parametrize("exif", [True, False])
def test_another_stack_on_the_card_without_its_journal_leaves_a_doubt(exif, tmp_path):
    """The camera's clock is off by nobody knows how much: which stack is this journal's, times cannot tell."""
    first = evening(frames=30)
    second = lose(run_again(first), 12)
    folder = on_one_card(tmp_path, first, second, exif=exif)
    (verdict,) = verify(runs(tmp_path, first, second)[1:], folder)
    assert not verdict.complete
    assert verdict.look_alikes == 29
    assert 12 in verdict.doubtful


def test_two_whole_stacks_leave_none(tmp_path):
    first = evening(frames=30)
    second = run_again(first)
    folder = on_one_card(tmp_path, first, second)
    assert all(verdict.complete for verdict in verify(runs(tmp_path, first, second), folder))
    (verdict,) = verify(runs(tmp_path, first, second)[1:], folder)
    assert verdict.complete


def deeper(before, more, toward_front=0, later_s=300.0):
    """What a deeper plan has beyond one that proved too short, at its back or its front."""
    total = before.frames + more + toward_front
    one = Evening(
        random=random.Random(8), frames=total, cadence_s=3.0, now_s=before.now_s + later_s, counter=before.counter
    )
    wanted = [*range(1, toward_front + 1), *range(total - more + 1, total + 1)]
    one.begin(wanted)
    head = one.lines[0]
    head["plan"]["digest"], head["kind"], head["after"] = "deeper", "after", f"elsewhere/{FIRST}"
    head["front_at_microsteps"] -= 64 * toward_front
    for frame in wanted:
        one.shoot(frame)
    return one


@pytest.mark.parametrize("toward_front", [0, 5])
@pytest.mark.parametrize("lost", [None, 12])
def test_a_stack_made_deeper_is_one_stack_by_the_numbers_of_the_new_plan(lost, toward_front, tmp_path):
    first = lose(evening(frames=30), lost)
    second = deeper(first, 6, toward_front)
    folder = on_one_card(tmp_path, first, second)
    (verdict,) = verify(runs(tmp_path, first, second), folder)
    assert (verdict.frames, verdict.not_shot) == (36 + toward_front, ())
    assert verdict.missing == (() if lost is None else (lost + toward_front,))
    assert verdict.complete == (lost is None)
    assert verdict.main.endswith(SECOND)
    assert verdict.late == (tuple(range(1, toward_front + 1)) if toward_front else ())


def test_the_deeper_part_goes_with_the_run_that_it_names(tmp_path):
    """Two stacks were shot; the first proved too short, and was made deeper after the second."""
    first = evening(frames=30)
    second = run_again(first)
    third = deeper(second, 6)
    folder = on_one_card(tmp_path, first, second, third)
    one, other = verify(runs(tmp_path, first, second, third), folder)
    assert (one.frames, one.complete, len(one.journals)) == (36, True, 2)
    assert (other.frames, other.complete, len(other.journals)) == (30, True, 1)


def test_a_frame_lost_from_the_deeper_part_is_named_by_its_own_number(tmp_path):
    first = evening(frames=30)
    second = lose(deeper(first, 6), 34)
    (verdict,) = verify(runs(tmp_path, first, second), on_one_card(tmp_path, first, second))
    assert verdict.missing == (34,)


def test_the_deeper_part_alone_says_what_no_journal_confirms(tmp_path):
    first = evening(frames=30)
    second = deeper(first, 6)
    (verdict,) = verify(runs(tmp_path, first, second)[1:], on_one_card(tmp_path, first, second))
    assert not verdict.complete
    assert verdict.not_shot == tuple(range(1, 31))


@pytest.mark.parametrize("what", ["front_at_microsteps", "profile_digest"])
def test_plans_that_do_not_meet_on_the_rail_are_refused(what, tmp_path):
    first = evening(frames=30)
    second = deeper(first, 6)
    second.lines[0][what] = 50_433 if what == "front_at_microsteps" else "another"
    with pytest.raises(Refusal, match=r"different (plans|rails)"):
        verify(runs(tmp_path, first, second), on_one_card(tmp_path, first, second))


def made_up_pair(seed):
    """Two runs of one plan with losses and damage of their own, perhaps some frames again, on one card."""
    chance = random.Random(seed)
    n = chance.choice([7, 20, 60])
    first = evening(frames=n, cadence_s=chance.choice([1.2, 2.1, 4.0]))
    second = run_again(first, later_s=chance.uniform(30, 4000), seed=seed)
    pair = [first, second]
    for one in pair:
        lose(one, *(chance.randint(1, n) for _ in range(chance.choice([0, 0, 1, 2]))))
    if chance.random() < 0.5:
        pair.append(run_again(second, [chance.randint(1, n)], later_s=chance.uniform(30, 400), seed=seed + 1))
    return pair, chance.choice([0.01, 1, 2]), chance.random() < 0.5


def told_of_a_pair(seed, tmp_path):
    pair, resolution_s, exif = made_up_pair(seed)
    folder = tmp_path / str(seed)
    folder.mkdir()
    found = on_one_card(folder, *pair, resolution_s=min(resolution_s, 1.0) if exif else resolution_s, exif=exif)
    named = runs(folder, *pair)
    again = {exposure.frame for one in pair[2:] for exposure in one.kept()}
    both = verify(named, found)
    for verdict, missing in zip(both, (pair[0].missing(), pair[1].missing() - again), strict=True):
        told = {*verdict.missing, *verdict.doubtful}
        assert not (missing and verdict.complete), f"seed {seed}: called complete, {missing} missing"
        assert missing <= told, f"seed {seed}: {missing} missing, {told} told"
    (alone,) = verify(named[1:2], found)
    assert not (pair[1].missing() and alone.complete), f"seed {seed}: called complete by one journal alone"
    return any(one.missing() for one in pair[:2])


def test_two_stacks_on_one_card_never_stand_in_for_one_another(tmp_path):
    assert {told_of_a_pair(seed, tmp_path) for seed in range(examples(32))} == {True, False}


@pytest.mark.campaign
def test_two_stacks_on_one_card_never_stand_in_for_one_another_in_200_evenings(tmp_path):
    for seed in range(300, 500):
        told_of_a_pair(seed, tmp_path)


def test_a_journal_is_read_once(tmp_path, monkeypatch):
    read = []
    path = evening().journal(tmp_path)
    whole = type(path).read_bytes
    monkeypatch.setattr(type(path), "read_bytes", lambda path: read.append(path) or whole(path))
    (tmp_path / "card").mkdir()
    verdict_on([path], read_folder(tmp_path / "card", exif=without_exif))
    assert read == [path]
    assert journals.read_journal(path).rows
