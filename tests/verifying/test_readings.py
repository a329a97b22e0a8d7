"""Which allowances for the clocks are taken: by how many pictures each lays beside a shot."""

from __future__ import annotations

import pytest
from verifying.made_readings import folder, picture, reading, shot, way

from stacker.verifying import readings as module
from stacker.verifying.readings import Reading, readings
from stacker.verifying.shots import ShotLeg


def taken(monkeypatch, counts, *, pictures=30, clock="file"):
    """Of allowances that lay so many pictures each: what the kept ones lay, and which were tried."""
    tried = []

    def with_slack(_legs, _folder, _each, slack_s):
        tried.append(slack_s)
        count = counts[len(tried) - 1]
        return reading(([shot(1)] * 40, [way([*range(count), *[None] * (pictures - count)])], 0.0))

    monkeypatch.setattr(module, "_read_with", with_slack)
    made = folder([picture(n) for n in range(1, pictures + 1)], clock=clock)
    leg = ShotLeg(begins_s=0.0, shots=(shot(1),))
    return [one.count for one in readings([leg], made, 1)], tried


def test_the_narrowest_that_lays_as_many_as_the_widest_and_the_next_one(monkeypatch):
    kept, tried = taken(monkeypatch, [10, 20, 20, 20, 20])
    assert kept == [20, 20]
    assert tried == [0.1, 0.25, 0.5, 1.0, 2.5]
    assert taken(monkeypatch, [10, 20, 25, 25, 25])[0] == [25, 25]
    assert taken(monkeypatch, [10, 12, 14, 16, 25])[0] == [25]


@pytest.mark.parametrize(
    ("counts", "kept"),
    [
        ([26, 27, 28, 29, 29], [29, 29, 26, 27, 28]),  # three over at most
        ([25, 25, 25, 29, 29], [29, 29]),
        ([10, 11, 12, 13, 14], [14, 12, 13]),  # and a seventh at most: two of fourteen
        ([3, 4, 5, 6, 6], [6, 6]),  # none of six
    ],
)
def test_narrower_ones_that_leave_few_over_are_as_likely(monkeypatch, counts, kept):
    assert taken(monkeypatch, counts)[0] == kept


def test_once_all_pictures_lie_beside_a_shot_one_wider_one_is_tried(monkeypatch):
    kept, tried = taken(monkeypatch, [20, 30, 30, 0, 0])
    assert kept == [30, 30]
    assert tried == [0.1, 0.25, 0.5]
    kept, tried = taken(monkeypatch, [20, 30, 30], clock="exif")
    assert (kept, tried) == ([30, 30], [0.1, 0.25, 0.6])


def test_a_reading_counts_looks_up_and_takes_parts():
    made = reading(
        ([1, 2], [way([0, 1, None, None]), way([1, None, None, None])], 0.0), ([3, 0], [way([None, None, 0, 1])], 60.0)
    )
    assert made.count == 4
    assert [(leg, place, one.frame) for leg, place, one in made.shots()] == [(0, 0, 1), (0, 1, 2), (1, 0, 3), (1, 1, 0)]
    assert made.frame(1, 0) == 3
    assert made.taken() == {(0, 0): [0], (0, 1): [1], (1, 0): [2], (1, 1): [3]}
    assert made.places(4) == ({(0, 0), (0, 1)}, {(0, 1)}, {(1, 0)}, {(1, 1)})
    part = made.part([1], [{3: 8}])
    assert [one.frame for _, _, one in part.shots()] == [8, 0]
    assert part.options == made.options[1:]


def test_without_a_shot_nothing_is_read():
    assert readings([], folder([picture(1)]), 1) == [Reading(legs=(), options=())] * 2


def test_numbers_count_where_all_names_begin_alike():
    assert module._numbers([picture(3), picture(9)]) == [3, 9]
    assert module._numbers([picture(3), picture(9, prefix="Q_")]) == [None, None]
    assert module._numbers([]) == []
