"""What the focus of the frames taken so far tells, and what it does not tell yet; from plain sums."""

from __future__ import annotations

import numpy as np
import pytest
from looking.test_depths import BELL, FRAMES, STEP_UM, seen_of

from stacker.looking.focus_by_now import Aim, Focused, focused_by_now

AIM = Aim(focus_um={frame: (frame - 1) * STEP_UM for frame in range(1, FRAMES + 1)}, optics=BELL)


def told(count, *, none_at=(), smeared=(), lost=(), dark=(), faint=False) -> Focused:
    """After so many frames; the plane of focus does not move between frame `none_at` and the next."""
    steps = np.ones(FRAMES - 1)
    steps[[frame - 1 for frame in none_at]] = 0
    seen = dict(enumerate(seen_of(np.concatenate(([0.0], np.cumsum(steps))) * STEP_UM), start=1))
    for number in smeared:
        seen[number].ways[0] *= 0.6
    if faint:
        noise = np.random.default_rng(2)
        for one in seen.values():
            one.fine[:] = noise.gamma(50, size=one.fine.shape)
    return focused_by_now(count, {n: one for n, one in seen.items() if n <= count and n not in lost}, dark, AIM)


def test_a_stalled_rail_is_told_once_one_frame_behind_the_stall_is_there():
    assert told(12, none_at=(11,)).stalled == ()
    assert told(13, none_at=(11,)).stalled == ((11, 12),)
    forever = range(11, FRAMES)
    assert told(13, none_at=forever).stalled == ((11, 12),)
    for count in range(14, 18):  # later on half of the steps are none, and what is usual no longer shows
        assert set(told(count, none_at=forever).stalled) >= {(11, 12), (12, 13)}, count


def test_a_smeared_frame_is_told_once_three_behind_it_are_there():
    assert told(12, smeared=(10,)).blurred == {}
    (how,) = told(13, smeared=(10,)).blurred.values()
    assert how.startswith("smeared")
    assert 10 in told(13, smeared=(10,)).sharp_beside


def test_a_soft_frame_is_told_once_two_behind_it_are_there():
    seen = dict(enumerate(seen_of(np.arange(FRAMES) * STEP_UM), start=1))
    seen[9].fine[0] *= 0.4
    assert focused_by_now(10, {n: one for n, one in seen.items() if n <= 10}, (), AIM).blurred == {}
    found = focused_by_now(11, {n: one for n, one in seen.items() if n <= 11}, (), AIM)
    assert found.blurred == {9: "softer than its neighbours"}


def test_good_frames_have_no_finding_at_any_time():
    for count in range(1, FRAMES + 1):
        found = told(count)
        assert (found.blurred, found.stalled) == ({}, ()), count
    assert len(found.steps) > FRAMES / 2
    assert len(found.sharp_beside) > FRAMES / 2


@pytest.mark.parametrize("what", ["few", "noise"])
def test_few_frames_and_frames_without_detail_tell_nothing(what):
    found = told(7, smeared=(4,)) if what == "few" else told(FRAMES, smeared=(9,), none_at=(11,), faint=True)
    assert found == Focused()


def test_frames_whose_pictures_did_not_come_or_are_dark_are_no_stall():
    found = told(FRAMES, lost=(8, 9), dark=(13,))
    assert (found.blurred, found.stalled) == ({}, ())
    assert not found.steps & {7, 8, 9, 12, 13}


def test_frames_far_away_are_not_looked_at_again():
    aim = Aim(focus_um={frame: frame * STEP_UM for frame in range(1, 100)}, optics=BELL)
    seen = {frame + 60 * (frame > 10): one for frame, one in enumerate(seen_of(np.arange(FRAMES) * STEP_UM), start=1)}
    assert focused_by_now(80, seen, (), aim).steps.isdisjoint(range(1, 11))
