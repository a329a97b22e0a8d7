"""Steps of a stack from plain sums: which were not the planned ones, in whatever order the frames were shot."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.looking.depths import Depths, Ends, depths_of
from stacker.looking.seen import Seen

STEP_UM = 40.0
WIDTH_UM = 64.0  # where contrast has fallen to 1/e
FRAMES = 20


class Bell:
    """A made-up lens: contrast falls as a bell."""

    def curve(self, pixels):
        assert pixels == (192, 256)
        return lambda displacement_um, _per_px: np.exp(-((np.asarray(displacement_um) / WIDTH_UM) ** 2))

    def seam(self, step_um):
        return float(np.exp(-((step_um / 2 / WIDTH_UM) ** 2)))


BELL = Bell()


def seen_of(planes_um):
    """What pictures show whose planes of focus are there: tiles with detail at depths of their own."""
    rng = np.random.default_rng(1)
    depth_um = np.broadcast_to(rng.uniform(0.5 * STEP_UM, (FRAMES - 1.5) * STEP_UM, (48, 64)), (3, 48, 64))
    noise = 1 + rng.normal(0, 0.01, (len(planes_um), *depth_um.shape))
    fines = [
        (0.02 + np.exp(-2 * ((z - depth_um) / WIDTH_UM) ** 2)) * one for z, one in zip(planes_um, noise, strict=True)
    ]
    grain = rng.uniform(0.8, 1.25, (4, 48, 64))  # more detail along one way than along another, of each tile its own
    return [
        Seen(pixels=(192, 256), fine=fine.astype(np.float32), ways=(fine[0] * grain).astype(np.float32))
        for fine in fines
    ]


def told(steps, *, start=0.0, reverse=False, lost=(), dark=(), short=0, smeared=(), optics=BELL) -> Depths:
    planes_um = (start + np.concatenate(([0.0], np.cumsum(steps)))) * STEP_UM
    planes_um = planes_um[: FRAMES - short]
    numbers = range(len(planes_um), 0, -1) if reverse else range(1, len(planes_um) + 1)
    seen = dict(zip(numbers, seen_of(planes_um), strict=True))
    for number in smeared:  # along the first of the four ways
        seen[number].ways[0] *= 0.6
    focus_um = {number: place * STEP_UM for place, number in enumerate(numbers)}
    return depths_of(focus_um, {number: one for number, one in seen.items() if number not in lost}, dark, optics)


@pytest.mark.parametrize("reverse", [False, True])
def test_a_double_step_is_a_gap_that_names_its_frames(reverse):
    steps = np.ones(FRAMES - 1)
    steps[8] = 2
    (off,) = told(steps, reverse=reverse).off
    assert off.frames == ((11, 12) if reverse else (9, 10))
    assert off.step.ratio == pytest.approx(2, abs=0.1)
    assert off.gap
    # by hand: half a step from focus keeps exp(-(20/64)^2) = 91 %, a whole one exp(-(40/64)^2) = 68 %
    assert (off.kept, off.planned) == pytest.approx((0.68, 0.91), abs=0.05)


def test_a_stalled_rail_is_found_and_is_no_gap():
    steps = np.ones(FRAMES - 1)
    steps[8] = 0
    (off,) = told(steps).off
    assert (off.frames, off.gap) == ((9, 10), False)
    assert off.step.ratio == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("first", [0, 8, FRAMES - 2])
def test_two_pictures_that_changed_places_are_told_from_a_rail_that_went_astray(first):
    planes = np.arange(FRAMES, dtype=float)
    planes[[first, first + 1]] = planes[[first + 1, first]]
    found = told(np.diff(planes), start=planes[0])
    if 2 < first < FRAMES - 3:  # near an end few fields tell
        assert found.swapped == ((first + 1, first + 2),)
        assert all({*one.frames} & {first + 1, first + 2} for one in found.off)
    assert not [one for one in found.swapped if one != (first + 1, first + 2)]
    astray = np.ones(FRAMES - 1)
    astray[8:11] = (2, 0, 2)
    assert told(astray).swapped == ()


def test_frames_that_are_lost_or_dark_tell_nothing_of_their_steps():
    found = told(np.ones(FRAMES - 1), lost=(5,), dark=(12,))
    untold = {one.frames for one in found.between if one.step.ratio is None}
    assert {(4, 5), (5, 6), (11, 12), (12, 13)} <= untold
    assert found.off == ()
    assert sum(one.step.ratio is not None for one in found.between) > 10


def test_a_stack_that_ends_too_soon_names_the_frame_at_its_end():
    assert told(np.ones(FRAMES - 1)).ends.short == ()
    ends = told(np.ones(FRAMES - 1), short=3).ends
    assert (ends.first, ends.last, ends.short) == (1, 17, (17,))
    assert ends.inside + ends.before + ends.beyond <= ends.fields
    assert told(np.ones(FRAMES - 1), short=3, reverse=True).ends.short == (1,)  # shot from the back, it is the first
    assert Ends(first=1, last=9, inside=200, beyond=4).short == ()
    assert Ends(first=1, last=9, inside=20, beyond=5).short == (9,)


def test_a_smeared_frame_is_named_with_or_without_the_plan():
    for optics in (BELL, None):
        found = told(np.ones(FRAMES - 1), smeared=(9,), dark=(14,), optics=optics)
        assert list(found.smeared) == [9]
        assert found.smears[14].reason is not None
        assert found.smears[6].reason is None
    assert told(np.ones(FRAMES - 1)).smeared == {}


def test_where_nothing_comes_and_goes_with_focus_no_smear_is_told_either():
    """Noise has directions too."""
    rng = np.random.default_rng(3)
    shown = seen_of(np.arange(FRAMES) * STEP_UM)
    shown[8].ways[0] *= 0.6
    noise = [
        Seen(pixels=one.pixels, fine=rng.gamma(50, size=one.fine.shape).astype(np.float32), ways=one.ways)
        for one in shown
    ]
    focus_um = {number: number * STEP_UM for number in range(1, FRAMES + 1)}
    found = depths_of(focus_um, dict(enumerate(noise, start=1)), (), BELL)
    assert found.reason is not None
    assert found.smeared == {}
    assert {one.reason for one in found.smears.values()} == {found.reason}
    assert depths_of(focus_um, dict(enumerate(noise, start=1)), (), None).smeared.keys() == {9}  # without the plan


def test_without_the_plan_or_pictures_nothing_is_told():
    focus_um = {1: 0.0, 2: 40.0}
    assert depths_of(focus_um, {1: Seen(pixels=(9, 9))}, (), BELL).reason == "the pictures are too small"
    lone = {1: Seen(pixels=(9, 9), fine=np.ones((3, 2, 2), np.float32), ways=np.ones((4, 2, 2), np.float32))}
    assert depths_of(focus_um, lone, (), None).reason == "the plan of the run is not beside its journal"
    nothing = depths_of(focus_um, {1: Seen(pixels=(9, 9))}, (1,), BELL)
    assert (nothing.reason, nothing.off) == ("no picture tells anything", ())
