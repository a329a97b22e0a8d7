"""What is said of the rail when a run has ended: no more than its controller can know."""

from __future__ import annotations

import pytest
from driving.runs import gcode_link, make_job

from stacker.driving.last_word import doubts, motor, stands, taken
from stacker.rail.controller import Where


@pytest.fixture
def line_job(tmp_path):
    return make_job(tmp_path)


def words_job(folder, **keys):
    return make_job(folder, link=gcode_link(**keys))


def where(position=64_000, *, known=True):
    return Where(resting=True, known=known, position=position, ended="arrived")


def test_our_own_controller_says_where_it_is(line_job):
    assert stands(line_job, where(), lost=False) == "The rail is at rest at 40.000 mm."
    assert stands(line_job, where(), lost=True) == "The rail is at rest, its position is lost."
    assert stands(line_job, None, lost=False) == "The controller does not answer; it stops by itself."
    assert motor(line_job) == "its motor energised"


def test_one_that_only_acknowledges_is_believed_as_far_as_it_can_be_asked(tmp_path):
    asked, silent = words_job(tmp_path, position_query="?"), words_job(tmp_path)
    assert "as the controller says" in stands(asked, where(), lost=False)
    assert "By calculation" in stands(silent, where(), lost=False)
    assert "may still be moving" in stands(silent, None, lost=False)
    assert "nothing here can see" in stands(silent, where(), lost=True)
    assert taken(silent, 7, "0:40").startswith("7 frames triggered in 0:40, each acknowledged")
    assert taken(asked, 7, "0:40").startswith("7 frames triggered")


@pytest.mark.parametrize(
    ("keeps", "said"),
    [(None, "not known (keeps_motor_on)"), (True, "its motor energised, as"), (False, "its motor released, as")],
)
def test_whether_its_motor_is_held_goes_by_the_profile(tmp_path, keeps, said):
    assert said in motor(words_job(tmp_path, keeps_motor_on=keeps))


def test_what_a_controller_of_words_cannot_know_is_said_once_each(tmp_path):
    def said(**keys):
        return [text.partition(":")[0] for text in doubts(words_job(tmp_path, **keys).link.gcode)]

    known = {"measured_10_mm": 10.0, "position_query": "?", "greeting": "Hello", "keeps_motor_on": True}
    assert said(**known) == []
    assert said() == ["travel", "position", "motor"]
    for lacking, what in (("measured_10_mm", "travel"), ("position_query", "position"), ("greeting", "greeting")):
        assert said(**{key: value for key, value in known.items() if key != lacking}) == [what]
    assert said(**{**known, "keeps_motor_on": None}) == said(**{**known, "keeps_motor_on": False}) == ["motor"]
    assert doubts(None) == []
