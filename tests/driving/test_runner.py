from dataclasses import replace

import pytest
from driving.runs import make_job

from stacker.documents.journal_values import CLOSING
from stacker.driving.runner import _left_s


@pytest.mark.parametrize(
    ("rest", "left_s"),
    [((5, 6), 4.0), ((5, 6, CLOSING), 11.0), ((1, 2), 9.0), ((), 0.0)],
    ids=["by the plan", "the closing frame follows none", "nor does the first", "nothing"],
)
def test_what_is_left_goes_by_the_plan_where_frames_follow_one_another_else_by_the_mean(tmp_path, rest, left_s):
    job = make_job(tmp_path, start_s=tuple(2.0 * n for n in range(6)))
    assert _left_s(job, rest, 7.0) == left_s
    assert _left_s(replace(job, start_s=None), rest, 7.0) == 7.0 * len(rest)
