"""Which exposure a picture is of: sure, or not at all."""

from __future__ import annotations

import pytest

from stacker.looking.arrivals import LATE, Arrivals

BEFORE = ["OLD_1.jpg", "OLD_2.jpg"]


def played(*steps):
    """A number is an exposure, a text the names that have come, one after the other or with commas at once."""
    arrivals, there = Arrivals(BEFORE), list(BEFORE)
    for step in steps:
        if isinstance(step, int):
            arrivals.exposing(step)
        else:
            there += step.split(",")
            arrivals.come(there)
    return arrivals


def test_pictures_are_sure_where_the_count_is_even():
    arrivals = played(1, "P_9.jpg", 2, "P_10.jpg", 3)
    assert (arrivals.sure, arrivals.lost) == (2, "")
    assert arrivals.names == ["P_9.jpg", "P_10.jpg"]


def test_a_late_one_is_sure_once_the_next_has_caught_up():
    arrivals = played(1, 2, "P_1.jpg")
    assert (arrivals.sure, arrivals.lost) == (0, "")
    arrivals.come([*BEFORE, "P_1.jpg", "P_2.jpg"])
    assert (arrivals.sure, arrivals.lost) == (2, "")


def test_of_a_pair_one_is_counted_and_what_is_no_picture_is_not():
    arrivals = played(1, "P_1.dng,P_1.jpg,P_1.xmp,.P_1.jpg,P_1.jpg.part", 2, "P_2.jpg", "P_2.dng")
    assert (arrivals.sure, arrivals.lost) == (2, "")


def test_what_comes_before_the_first_exposure_is_none_of_this_run():
    arrivals = played("TRIAL_1.jpg", 1, "P_1.jpg")
    assert (arrivals.sure, arrivals.lost, arrivals.names) == (1, "", ["P_1.jpg"])


@pytest.mark.parametrize(
    ("steps", "why"),
    [
        ((1, "P_1.jpg", "P_2.jpg"), "more pictures"),
        ((1, "P_2.jpg", 2, "P_1.jpg"), "out of order"),
        ((*range(1, LATE + 3), "P_1.jpg"), "missing"),
    ],
)
def test_where_it_cannot_be_known_nothing_more_is_sure(steps, why):
    arrivals = played(*steps)
    sure = arrivals.sure
    assert why in arrivals.lost
    arrivals.exposing(90)
    arrivals.come([*BEFORE, *(f"P_{number}.jpg" for number in range(1, 91))])
    assert arrivals.sure == sure
