import pytest

from stacker.errors import RunStopped
from stacker.rail.controller import ControllerRefused, Where
from stacker.rail.stops import BY_WHAT_HAPPENED, ENDINGS, Interrupted, PositionLost, ended_early, what_happened


def where(ended, *, known=True, position=64_100):
    return Where(resting=True, known=known, position=position, ended=ended)


@pytest.mark.parametrize("ended", ENDINGS)
def test_a_move_that_ended_for_a_known_reason_tells_it_and_keeps_its_place(ended):
    error = ended_early(where(ended), 64_400)
    assert (type(error), error.code) == (RunStopped, ended)
    assert str(error).startswith(f"the rail stopped at 64100 microsteps on its way to 64400: {ENDINGS[ended]}. Go on")


@pytest.mark.parametrize("ended", [*ENDINGS, "arrived", "none"])
def test_who_no_longer_knows_where_it_is_has_lost_its_place_whatever_it_says(ended):
    error = ended_early(where(ended, known=False), 64_400)
    assert (type(error), error.code) == (PositionLost, ended if ended in ENDINGS else "lost")
    assert ENDINGS.get(ended, "its position is lost") in str(error)
    assert "focus the front again" in str(error)


@pytest.mark.parametrize("ended", ["arrived", "a word of a later protocol"])
def test_who_rests_elsewhere_and_names_no_reason_counts_otherwise(ended):
    error = ended_early(where(ended), 64_400)
    assert (type(error), error.code) == (PositionLost, "count_differs")
    assert "counts 64100 microsteps where 64400 was ordered" in str(error)


@pytest.mark.parametrize("reason", BY_WHAT_HAPPENED)
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("ended", ["low", "none"])
def test_a_refusal_is_told_as_what_happened_before_it(reason, known, ended):
    refused = ControllerRefused(reason, "", "the controller refused 'move'.")
    error = what_happened(refused, where(ended, known=known))
    # a rail that knows its place and stands elsewhere than the frame does not: its place is not what it counts
    assert type(error) is (RunStopped if known and reason != "place" else PositionLost)
    assert error.code == (ended if ended in ENDINGS else reason)
    hit = " The limit switch at the low end was hit." if ended == "low" else ""
    assert str(error) == f"the controller refused 'move'.{hit}"


def test_a_stop_by_hand_says_so():
    assert (str(Interrupted()), Interrupted().code) == ("stopped by hand.", "interrupted")
