"""Parts of a subject that moved, and pictures that jumped, in rendered stacks; and stacks in which nothing did."""

from __future__ import annotations

import numpy as np
import pytest
from darkroom.scenes import SCENES, SILENT, TEXTURED
from darkroom.stack_runs import RIGS, STEPS, shot
from darkroom.stacks import Faults, Moved

from stacker.looking.moved import Part, moved_in
from stacker.pixels.small import small_picture

SHAPE, FRAMES = (240, 368), 14


def told(grey, shape=SHAPE):
    return moved_in(range(len(grey)), {frame: small_picture(one) for frame, one in enumerate(grey)}, shape)


@pytest.fixture(scope="module")
def still():
    return shot("rough", "tubes", 51, shape=SHAPE, frames=FRAMES, keep=True).grey


def with_part(back: bool):
    moved = Moved(frame=7, at=(0.3, 0.7), radius_px=36, shift_px=(-4.0, 3.0), back=back)
    return told(shot("rough", "tubes", 51, shape=SHAPE, frames=FRAMES, keep=True, faults=Faults(moved=moved)).grey)


def test_where_nothing_moved_nothing_is_found_and_said_how_much_was_compared(still):
    found = told(still)
    assert (found.parts, found.alone, found.compared, found.pairs) == ((), (), FRAMES - 1, FRAMES - 1)
    assert found.told > 0.5  # grain all over, of which the half that is in focus counts for sure


def test_a_part_that_moved_and_stays_there_is_found_with_its_place():
    found = with_part(back=False)
    (part,) = found.parts
    assert part.frames == (6, 7)
    assert not part.whole
    assert found.alone == ()
    # 5 pixels; its rim, which is stretched, moves less. Its middle lies at 0.7 and 0.3: to half a radius
    assert part.shift_px == pytest.approx(5, abs=1.5)
    assert part.at == pytest.approx((0.7, 0.3), abs=0.06)


def test_a_part_that_moved_for_one_frame_makes_that_frame_alone_doubtful():
    found = with_part(back=True)
    assert [(part.frames, part.back) for part in found.parts] == [((6, 7), True)]
    assert found.alone == (7,)


@pytest.mark.parametrize("jump", [(3, -6), (40, 25)], ids=["near", "far"])
def test_a_picture_that_jumps_is_told_from_a_part_that_moves(still, jump):
    moved = [one if frame < 8 else np.roll(one, jump, axis=(0, 1)) for frame, one in enumerate(still)]
    (part,) = told(moved).parts
    assert part == Part(frames=(7, 8), shift_px=part.shift_px, whole=True)
    assert part.shift_px == pytest.approx(np.hypot(*jump), abs=0.5)


def test_pictures_without_common_detail_are_not_compared(still):
    rng = np.random.default_rng(52)
    noise = [rng.integers(90, 160, SHAPE, dtype=np.uint8) for _ in range(FRAMES)]
    assert told(noise) == moved_in(range(FRAMES), {}, SHAPE)
    flat = [np.full(SHAPE, 90, np.uint8) for _ in range(FRAMES)]
    assert told(flat).compared == 0
    some = {frame: small_picture(one) for frame, one in enumerate(still) if frame not in (3, 9)}
    assert (holed := moved_in(range(FRAMES), some, SHAPE)).compared == FRAMES - 5
    assert holed.parts == ()


@pytest.mark.parametrize("shape", [(1, 1), (3, 50), (20, 20), (40, 40)])
def test_pictures_too_small_to_have_patches_are_not_compared(shape):
    rng = np.random.default_rng(55)
    assert told([rng.integers(0, 255, shape, dtype=np.uint8) for _ in range(FRAMES)], shape).compared == 0


def test_another_exposure_is_no_movement(still):
    half = [
        one if frame != 6 else np.rint(255 * (one / 255) * 0.5 ** (1 / 2.2)).astype(np.uint8)
        for frame, one in enumerate(still)
    ]
    assert told(half).parts == ()


@pytest.mark.campaign
def test_parts_that_moved_are_found_and_nothing_else():
    found = moved = wrong = frames = 0
    shape = (480, 720)
    for i, scene in enumerate(SCENES):
        for j, rig in enumerate(RIGS):
            if (i + j) % 2 and scene in SILENT:
                continue
            rng = np.random.default_rng([53, i, j])
            away, angle = rng.uniform(3, 8), rng.uniform(0, 2 * np.pi)
            part = Moved(
                frame=int(rng.integers(6, 14)),
                at=tuple(rng.uniform(0.25, 0.75, 2)),
                radius_px=float(rng.uniform(50, 100)),
                shift_px=(away * np.sin(angle), away * np.cos(angle)),
            )
            fault = [None, *STEPS][(i + 2 * j) % 6]
            faults = Faults(moved=part, smear_px={17: (3.0, 0.5)}, light_stops={3: -1.0})
            stack = shot(scene, rig, 54, shape=shape, frames=20, fault=fault, keep=True, faults=faults)
            parts = told(stack.grey, shape).parts
            hits = [one for one in parts if one.frames == (part.frame - 1, part.frame)]
            frames += 20
            wrong += len(parts) - len(hits)
            if scene in TEXTURED:
                moved += 1
                found += bool(hits)
    print(f"\nmoved parts found {found} of {moved}, false {wrong} in {frames} frames")
    assert found >= 0.8 * moved
    assert wrong <= frames / 300 + 1
