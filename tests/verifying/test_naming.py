"""Names of files that are handed over: brackets, frames taken twice, depths in doubt, and sub-stacks."""

from __future__ import annotations

from pathlib import Path

from stacker.verifying.naming import pieces_of
from stacker.verifying.sub_stacks import SubStack
from stacker.verifying.takes import Take

DEPTH_UM = {frame: 40.0 * (frame - 2) for frame in range(1, 13)}  # frame 1 lies before the front


def take(*frames, pictures=(("P_1.JPG",),)):
    files = tuple(tuple(Path(name) for name in one) for one in pictures)
    return Take(frames=frames, fixed=True, confirmed=True, pictures=files)


def named(by_place, **rest):
    return [str(one.target) for one in pieces_of(by_place, DEPTH_UM, stack="beetle", **rest)]


def test_a_place_from_the_front_and_its_depth_and_both_where_two_are_possible():
    assert named([((1,), take(1)), ((3,), take(3)), ((2, 4), take(2, 4))]) == [
        "beetle/0001_-40um.jpg",
        "beetle/0003_40um.jpg",
        "beetle/0002_0to80um.jpg",
    ]
    (piece,) = pieces_of([((4, 2), take(4, 2))], DEPTH_UM, stack="beetle")
    assert (piece.frames, piece.depths_um, piece.sub_stack, piece.source) == ((2, 4), (0.0, 80.0), 0, Path("P_1.JPG"))


def test_pictures_of_a_bracket_and_exposures_of_one_place_are_numbered():
    bracket = take(2, pictures=(("P_1.jpg", "P_1.raw"), ("P_2.jpg", "P_2.raw")))
    assert named([((2,), bracket)]) == [
        "beetle/0002_0um_1.jpg", "beetle/0002_0um_1.raw", "beetle/0002_0um_2.jpg", "beetle/0002_0um_2.raw",
    ]  # fmt: skip
    ten = take(2, pictures=[(f"P_{n}.jpg",) for n in range(1, 11)])
    assert named([((2,), ten)])[::9] == ["beetle/0002_0um_01.jpg", "beetle/0002_0um_10.jpg"]
    assert named([((2,), take(2)), ((2, 3), take(2, 3)), ((3,), take(3))]) == [
        "beetle/0002-1_0um.jpg", "beetle/0002-2_0to40um.jpg", "beetle/0003_40um.jpg",
    ]  # fmt: skip


def test_a_frame_that_two_sub_stacks_share_lies_in_both():
    parts = [
        SubStack(number=1, first=1, last=4),
        SubStack(number=2, first=4, last=8),
        SubStack(number=3, first=8, last=12),
    ]
    by_place = [((n,), take(n)) for n in (1, 4, 5, 12)]
    assert named(by_place, parts=parts) == [
        "beetle/sub_stack_1/0001_-40um.jpg",
        "beetle/sub_stack_1/0004_80um.jpg",
        "beetle/sub_stack_2/0004_80um.jpg",
        "beetle/sub_stack_2/0005_120um.jpg",
        "beetle/sub_stack_3/0012_400um.jpg",
    ]
    pieces = pieces_of(by_place, DEPTH_UM, stack="beetle", parts=parts)
    assert [one.sub_stack for one in pieces] == [1, 1, 2, 2, 3]
    many = [SubStack(number=n, first=n, last=n) for n in range(1, 13)]
    assert named([((3,), take(3))], parts=many) == ["beetle/sub_stack_03/0003_40um.jpg"]


def test_what_is_no_letter_in_an_ending_is_none_in_the_new_one():
    assert named([((1,), take(1, pictures=(("P_1.J-P",),)))]) == ["beetle/0001_-40um.j_p"]
