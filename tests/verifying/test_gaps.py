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
