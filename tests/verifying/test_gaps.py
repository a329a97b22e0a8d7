"""How many frames lack pictures, where a shot that was not needed may have made one."""

from __future__ import annotations

import pytest

from stacker.verifying.alignment import Alignment, Window
from stacker.verifying.gaps import gaps
from stacker.verifying.readings import Reading
from stacker.verifying.shots import Shot, ShotLeg


def shot(frame, at_s, *, sure=True):
    return Shot(frame=frame, confirmed=sure, counts=sure, window=Window(early_s=at_s, late_s=at_s, first_s=at_s))


def told(shots, shot_of, *, open_shots=(), bare=()):
    way = Alignment(
        offset_s=0.0,
        shot_of=tuple(shot_of),
        count=len(shot_of),
        open_shots=frozenset(open_shots),
        always_open_shots=frozenset(bare),
    )
    reading = Reading(legs=(ShotLeg(begins_s=0.0, shots=tuple(shots)),), options=((way,),))
    found = gaps(reading, {one.frame for one in shots if one.confirmed}, 1)
    return found.least, found.most


# frame 5 was begun (place 1), stopped, and shot again (place 2): only the second is needed
STOPPED_IN_5 = [shot(4, 0), shot(5, 3, sure=False), shot(5, 6), shot(6, 9)]


@pytest.mark.parametrize(
    ("shot_of", "open_shots", "bare", "count"),
    [
        ([0, 1, 2, 3], (), (), (0, 0)),
        ([0, 2, 3], (1,), (1,), (0, 0)),
        # the picture at the shot not needed lies in the window of frame 4's too, which has none
        ([1, 2, 3], (0, 1), (), (0, 1)),
        # frame 4's picture may be that of the shot not needed
        ([0, 2, 3], (0, 1), (), (0, 1)),
        # no picture lies where frame 4's could be
        ([1, 2, 3], (0,), (0,), (1, 1)),
        ([0, 1, 3], (2,), (), (0, 1)),
        # both pictures of frame 5 lie where no other's could be
        ([1, 2, 3], (0,), (), (1, 1)),
    ],
)
def test_a_shot_that_was_not_needed_may_have_made_the_picture(shot_of, open_shots, bare, count):
    assert told(STOPPED_IN_5, shot_of, open_shots=open_shots, bare=bare) == count


def test_of_a_bracket_so_many_pictures_as_are_gone_may_be_of_one_frame():
    shots = [shot(1, 0), shot(2, 9), shot(3, 18)]
    way = Alignment(
        offset_s=0.0,
        shot_of=(0, 0, 1, 1, 2, 2),
        count=6,
        open_shots=frozenset({0, 1, 2}),
        always_open_shots=frozenset(),
    )
    reading = Reading(legs=(ShotLeg(begins_s=0.0, shots=tuple(shots)),), options=((way,),))
    found = gaps(reading, {1, 2, 3}, 3)
    assert (found.least, found.most) == (1, 3)


def test_a_picture_that_two_frames_could_have_is_that_of_one_of_them():
    three = [shot(4, 0), shot(5, 3), shot(6, 6)]
    least, most = told(three, [1, 2], open_shots=(0, 2))
    assert (least, most) == (1, 2)  # at most: nobody knows whether a picture at a time that two have is of either
    assert told(three, [0, 1, 2], open_shots=(0, 2)) == (0, 0)


@pytest.mark.parametrize(("pictures", "least"), [((0, 4, 2), 0), ((0, 4, 0), 1), ((1, 2, 0), 2), ((1, 4, 2), 0)])
def test_of_brackets_a_second_one_that_was_not_needed_fills_another(pictures, least):
    """Frame 5 was taken twice, two pictures each time; where four are there, two of them may be another frame's."""
    shots = [shot(4, 0), shot(5, 3, sure=False), shot(5, 6), shot(6, 9)]
    first, second, third = pictures
    laid = [0] * first + [1] * (second - 2) + [2] * 2 + [3] * third
    way = Alignment(
        offset_s=0.0,
        shot_of=tuple(laid),
        count=len(laid),
        open_shots=frozenset({0, 1, 2, 3}),
        always_open_shots=frozenset(),
    )
    reading = Reading(legs=(ShotLeg(begins_s=0.0, shots=tuple(shots)),), options=((way,),))
    assert gaps(reading, {4, 5, 6}, 2).least == least


def test_where_there_are_too_many_ways_the_count_is_only_bounded():
    """Seven parts with two ways each: 128; what each says by itself is told all the same."""

    def legs(count):
        made = []
        for n in range(count):
            ways = [
                Alignment(
                    offset_s=0.0,
                    shot_of=tuple(0 if k == n else None for k in range(count)) if filled else (None,) * count,
                    count=int(filled),
                    open_shots=frozenset() if filled else frozenset({0}),
                    always_open_shots=frozenset() if filled else frozenset({0}),
                )
                for filled in (True, False)
            ]
            made.append((ShotLeg(begins_s=float(n), shots=(shot(n + 1, 0),)), tuple(ways)))
        return Reading(legs=tuple(leg for leg, _ in made), options=tuple(ways for _, ways in made))

    six, seven = (gaps(legs(count), set(range(1, count + 1)), 1) for count in (6, 7))
    assert (six.least, six.most, len(six.open)) == (0, 6, 6)
    assert (seven.least, seven.most, len(seven.open), seven.bare) == (0, 7, 7, set())
