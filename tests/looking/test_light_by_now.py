"""What the light of the frames taken so far tells, and what it does not tell yet."""

from __future__ import annotations

import numpy as np

from stacker.looking.light_by_now import light_by_now

SUBJECT = np.random.default_rng(3).uniform(0.02, 0.5, (7, 10))


def told(*shares, frames=None, noise=0.01, seed=1):
    chance = np.random.default_rng(seed)
    frames = frames or range(1, len(shares) + 1)
    fields = {
        frame: (SUBJECT * share * (1 + noise * chance.standard_normal(SUBJECT.shape))).astype(np.float32)
        for frame, share in zip(frames, shares, strict=True)
    }
    return light_by_now(list(frames), fields)


def test_a_dark_frame_is_told_once_one_behind_it_is_there():
    assert told(1, 1, 1, 1, 1, 0.01).under == {}
    assert set(told(1, 1, 1, 1, 0.01, 1).under) == {5}


def test_the_first_five_frames_tell_nothing():
    assert told(1, 1, 0.01).under == told(1, 1, 0.01, 1, 1).under == {}  # nor is frame 1 taken for dark
    assert set(told(1, 1, 0.01, 1, 1, 1).under) == {3}


def test_half_lit_by_its_stop_a_third_of_a_stop_not():
    under = told(1, 1, 1, 1, 0.5, 1).under
    assert set(under) == {5}
    assert abs(under[5] - 1) < 0.1  # the noise of these fields over ten of them and more
    assert told(1, 1, 1, 1, 2 ** (-1 / 3), 1, 1).under == {}


def test_more_than_half_a_stop_is_taken_again():
    assert set(told(1, 1, 1, 1, 2**-0.75, 1, 1, noise=0.001).under) == {5}
    assert told(1, 1, 1, 1, 2**-0.5, 1, 1, noise=0.001).under == {}


def test_only_frames_near_the_last_one_are_told():
    shares = [1.0] * 25
    shares[3] = shares[18] = 0.01
    found = told(*shares)
    assert set(found.under) == {19}
    assert found.compared == frozenset(range(15, 25))  # ten before the last one, which has nothing behind it


def test_two_in_a_row_are_told_the_first_frame_too():
    assert set(told(1, 1, 1, 0.01, 0.01, 1, 1).under) == {4, 5}
    assert set(told(0.01, 1, 1, 1, 1, 1).under) == {1}


def test_three_in_a_row_are_a_dead_flash_and_no_misfires():
    assert told(1, 1, 1, 0.01, 0.01).in_a_row == ()
    dead = told(1, 1, 1, 0.01, 0.01, 0.01)
    assert (dead.in_a_row, dead.under) == ((4, 5, 6), {})
    assert told(1, 1, 1, 0.3, 0.3, 0.3).in_a_row == ()  # light turned down is not a dead flash


def test_a_brighter_frame_and_light_that_drifts_are_no_fault():
    assert told(1, 1, 2, 1, 1).under == {}
    assert told(*(0.93**number for number in range(15))).under == {}


def test_light_that_changes_for_good_is_no_misfire():
    for behind in range(1, 8):
        assert told(*(1,) * 8, *(0.4,) * behind).under == {}, behind


def test_frames_far_away_show_another_part_of_the_subject():
    assert told(1, 0.3, 1, frames=(1, 30, 60)).compared == frozenset()


def test_a_black_subject_tells_nothing():
    fields = {frame: np.full((7, 10), 0.001 / frame, np.float32) for frame in range(1, 8)}
    told_of_black = light_by_now(list(fields), fields)
    assert (told_of_black.under, told_of_black.in_a_row, told_of_black.compared) == ({}, (), frozenset())


def test_clean_stacks_have_no_finding():
    for seed in range(20):
        chance = np.random.default_rng(seed)
        shares = 2 ** chance.normal(0, 0.03, 14)  # flicker of a flash [stops]
        for count in range(3, 15):
            assert told(*shares[:count], seed=seed).under == {}, (seed, count)
