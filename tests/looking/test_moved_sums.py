"""Parts that moved, in textures that are laid anywhere exactly: where, how far, and what is no movement."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.waves import Waves
from scipy.ndimage import map_coordinates, spline_filter

from stacker.looking.moved import moved_in

SHAPE, FRAMES = (160, 208), 12
PIXELS = (320, 416)  # of whole pictures, each pixel of the small one four of theirs
RIM = 60
TEXTURE = spline_filter(Waves(coarsest=0.02, finest=0.07, count=250).picture((160 + 2 * RIM, 208 + 2 * RIM)))
Y, X = np.indices(SHAPE, dtype=float)


def picture(down=0.0, across=0.0, rng=None):
    """What is seen where each place shows what lies so far up and to the left of it; arrays of shifts, or one."""
    noise = 0.0 if rng is None else rng.normal(0, 0.7, SHAPE)
    seen = map_coordinates(TEXTURE, [Y - down + RIM, X - across + RIM], prefilter=False)
    return np.clip(np.rint(120 + 30 * seen + noise), 0, 255).astype(np.uint8)


def told(pictures, order=None, pixels=PIXELS):
    order = [*range(1, len(pictures) + 1)] if order is None else order
    return moved_in(order, dict(zip(order, pictures, strict=True)), pixels)


def still(count=FRAMES, seed=1):
    rng = np.random.default_rng(seed)
    return [picture(rng=rng) for _ in range(count)]


PART = (slice(64, 128), slice(32, 96))  # four patches by four, of ten by thirteen


def with_part(frames, shift=(1.5, -2.0), part=PART, seed=1):
    rng = np.random.default_rng(seed)
    mask = np.zeros(SHAPE)
    mask[part] = 1.0
    return [picture(*(mask * one * (frame in frames) for one in shift), rng=rng) for frame in range(1, FRAMES + 1)]


def test_a_part_is_told_with_its_place_and_how_far_it_moved_in_the_whole_picture():
    found = told(with_part(range(7, 13)))
    (part,) = found.parts
    assert part.frames == (6, 7)
    assert not part.whole
    assert not part.back
    assert found.alone == ()
    # 2.5 px of the small picture are 5 of the whole one; rim patches, half of which moved, pull the mean
    assert part.shift_px == pytest.approx(5, abs=1.2)
    assert part.at == pytest.approx((64 / 208, 96 / 160), abs=0.04)
    assert 12 / 130 < part.share < 40 / 130
    assert (found.compared, found.pairs) == (11, 11)
    assert found.told > 0.95


def test_a_part_that_goes_and_comes_back_leaves_one_frame_doubtful():
    found = told(with_part([7]))
    assert [(part.frames, part.back) for part in found.parts] == [((6, 7), True)]
    assert found.alone == (7,)
    # in another direction, or a part of the way, it did not come back
    half = with_part([7])
    again = with_part(range(8, 13), shift=(1.0, -1.3), seed=2)
    partly = told([*half[:7], *again[7:]])
    assert partly.alone == ()
    assert [(part.frames, part.back) for part in partly.parts] == [((6, 7), False), ((7, 8), False)]
    elsewhere = told([*with_part([7])[:7], *with_part(range(8, 13), shift=(-2.0, -1.5), seed=3)[7:]])
    assert elsewhere.alone == ()
    assert {part.frames for part in elsewhere.parts} == {(6, 7), (7, 8)}


def test_two_parts_that_move_at_once_are_two():
    both = np.zeros(SHAPE)
    both[0:64, 0:64] = both[96:160, 144:208] = 1
    rng = np.random.default_rng(4)
    pictures = [picture(both * 2.0 * (frame >= 6), 0.0, rng=rng) for frame in range(1, FRAMES + 1)]
    found = told(pictures)
    assert [part.frames for part in found.parts] == [(5, 6)] * 2
    assert sorted(round(part.at[0], 1) for part in found.parts) == pytest.approx([0.2, 0.8], abs=0.11)


def test_parts_are_told_in_order_of_depth_whatever_their_numbers():
    found = told(with_part(range(7, 13)), order=[*range(12, 0, -1)])
    assert [part.frames for part in found.parts] == [(7, 6)]  # the seventh in depth is the sixth by number


def test_three_patches_are_too_few_and_a_quarter_of_a_pixel_too_little():
    assert told(with_part(range(7, 13), part=(slice(64, 80), slice(32, 48)))).parts == ()
    assert told(with_part(range(7, 13), shift=(0.15, 0.1))).parts == ()


def test_what_all_of_the_picture_does_together_is_no_part():
    """A rail that moves on changes scale and place a little, and turns it."""
    rng = np.random.default_rng(5)
    pictures = []
    for frame in range(FRAMES):
        away_y, away_x = Y - 80, X - 104
        grown, turned = 0.004 * frame, 0.002 * frame
        pictures.append(
            picture(grown * away_y - turned * away_x + 0.3 * frame, grown * away_x + turned * away_y, rng=rng)
        )
    found = told(pictures)
    assert found.parts == ()
    assert found.compared == FRAMES - 1


def test_what_seems_to_move_in_all_frames_alike_is_a_slanted_surface_and_twice_as_much_a_double_step():
    rng = np.random.default_rng(6)
    mask = np.zeros(SHAPE)
    mask[PART] = 1.0
    steps = np.cumsum([1] * 5 + [2] + [1] * (FRAMES - 6))
    pictures = [picture(mask * 0.4 * step, 0.0, rng=rng) for step in steps]
    assert told(pictures).parts == ()
    steps = np.cumsum([1] * 5 + [6] + [1] * (FRAMES - 6))
    found = told([picture(mask * 0.4 * step, 0.0, rng=rng) for step in steps])
    assert [part.frames for part in found.parts] == [(5, 6)]


@pytest.mark.parametrize(("jump", "whole"), [((1.2, 1.6), False), ((2.4, 3.2), True), ((40.0, -25.0), True)])
def test_a_picture_that_jumps_by_a_hundredth_of_its_longer_side(jump, whole):
    """By hand: 13 patches of 16 px, of which a hundredth is 2.1 px."""
    rng = np.random.default_rng(7)
    found = told([picture(*(one * (frame >= 8) for one in jump), rng=rng) for frame in range(1, FRAMES + 1)])
    assert [(part.frames, part.whole) for part in found.parts] == ([((7, 8), True)] if whole else [])
    if whole:
        assert found.parts[0].shift_px == pytest.approx(2 * np.hypot(*jump), rel=0.05)
        assert (found.parts[0].at, found.parts[0].share) == ((0.5, 0.5), 1.0)


def test_a_picture_that_shakes_all_the_time_must_jump_by_more():
    rng = np.random.default_rng(8)
    shaken = [picture(*rng.normal(0, 0.8, 2) + (frame >= 8) * np.array([2.5, 1.5]), rng=rng) for frame in range(1, 13)]
    assert not any(part.whole for part in told(shaken).parts)


def test_of_six_pairs_nothing_is_held_against_one_another():
    few = told(with_part(range(4, 13))[:7])
    assert few.parts == ()
    assert (few.compared, few.pairs) == (6, 6)
    assert len(told(with_part(range(4, 13))[:8]).parts) == 1


def test_frames_that_are_not_there_and_pictures_without_detail_are_not_compared():
    pictures = dict(enumerate(with_part(range(7, 13)), start=1))
    del pictures[3]
    found = moved_in([*range(1, 13)], pictures, PIXELS)
    assert (found.compared, found.pairs) == (9, 11)
    assert [part.frames for part in found.parts] == [(6, 7)]
    blank = told([np.full(SHAPE, 99, np.uint8)] * FRAMES)
    assert (blank.compared, blank.told, blank.parts) == (0, 0.0, ())
    assert moved_in([], {}, PIXELS).pairs == 0
    half = []
    for one in still():
        one[:, 104:] = 99  # half of the picture shows nothing
        half.append(one)
    assert told(half).told == pytest.approx(0.5, abs=0.13)  # and the patches at the border
