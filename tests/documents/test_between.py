"""Numbers of frames counted with those taken between, there and back."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stacker.documents.between import in_the_plan, inserted, with_rows_between

COLUMNS = ("frame", "focus_um", "position_microsteps", "overlap", "start_s")
ROWS = [[1, 0.0, 0, None, 1.0], [2, 10.0, 15, 0.3, 2.0], [3, 21.0, 31, 0.4, 3.0]]


def test_rows_between_are_halfway_and_all_are_numbered_anew():
    assert with_rows_between(ROWS, COLUMNS, [1, 2]) == [
        [1, 0.0, 0, None, None],
        [2, 5.0, 7, None, None],
        [3, 10.0, 15, None, None],  # the overlap is with another frame now
        [4, 15.5, 23, None, None],
        [5, 21.0, 31, None, None],
    ]
    assert with_rows_between(ROWS, COLUMNS, [3])[-1][0] == 3  # behind the last lies nothing
    assert with_rows_between([[1, "x"], [2, "y"]], ("frame", "focus_um"), [1])[1] == [2, None]  # a made-up journal


@given(st.sets(st.integers(1, 30)), st.integers(31, 40))
def test_numbers_lead_back_to_the_plan(after, count):
    rows = with_rows_between([[n, 10.0 * n] for n in range(1, count + 1)], ("frame", "focus_um"), sorted(after))
    own, between = in_the_plan([row[0] for row in rows], sorted(after))
    assert own == tuple(range(1, count + 1))
    assert between == tuple(sorted(after))
    new = inserted(after)
    for number, depth_um in rows:
        (plan, behind) = in_the_plan([number], sorted(after))
        assert depth_um == (10 * behind[0] + 5 if number in new else 10 * plan[0])
