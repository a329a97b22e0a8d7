"""One line out, one acknowledgement back, against a script: what is believed, and what ends belief."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from rail.scripted import ScriptedLines
from rail.test_gcode import WORDS as BOARD

from stacker.rail.acknowledged import QUIET_S, AcknowledgedLines, NotAcknowledged
from stacker.rail.controller import ControllerRefused, ControllerReset

WORDS = replace(BOARD, acknowledge=("ok",), refuse=("bad",), greeting=("hello",), acknowledge_s=0.5)
PLACE = re.compile(r"at (\S+)")


def speaking(**answers):
    link = ScriptedLines(**answers)
    return link, AcknowledgedLines(link, WORDS)


def test_a_line_is_sent_once_and_taken_with_its_acknowledgement():
    link, lines = speaking(G1=["working", "ok"])
    lines.say("G1")
    assert (link.sent, list(link.coming), list(lines.heard), lines.trusted) == (["G1"], [], [], True)


@pytest.mark.parametrize(("words", "told"), [(["at 3.5", "ok"], "3.5"), (["ok", "at 3.5"], "3.5")])
def test_an_answer_comes_before_or_behind_its_acknowledgement(words, told):
    link, lines = speaking(M114=words)
    assert lines.ask("M114", PLACE, acknowledged=True) == told
    assert not link.coming
    link.answers["G1"] = ["ok"]
    lines.say("G1")


def test_what_waits_is_attended_to_once_a_look():
    link, lines = speaking(G1=[])
    looks = []

    def attend() -> None:
        looks.append(link.clock.now())
        if len(looks) == 4:
            link.coming.append("ok")

    lines.attend = attend
    lines.say("G1")
    assert len(looks) == 5


@pytest.mark.parametrize(
    ("answers", "error", "told"),
    [
        ([], NotAcknowledged, r"'G1' was not acknowledged in 0.5 s: which line"),
        (
            ["echo", "G1 what"],
            NotAcknowledged,
            r"last words: 'echo', 'G1 what'\).*, and at acknowledge and",
        ),
        (["bad word"], ControllerRefused, r"the controller refused 'G1': bad word"),
        (["hello there"], ControllerReset, r"it sent its greeting, 'hello there'"),
    ],
    ids=["silence", "chatter", "refusal", "greeting"],
)
def test_after_what_ends_belief_nothing_is_sent_any_more(answers, error, told):
    link, lines = speaking(G1=answers, G2=["ok"])
    with pytest.raises(error, match=told):
        lines.say("G1")
    assert not lines.trusted
    with pytest.raises(NotAcknowledged):
        lines.say("G2")
    with pytest.raises(NotAcknowledged):
        lines.post("G2", 1.0)
    assert link.sent == ["G1"]
    lines.start_over()
    lines.say("G2")
    assert link.sent == ["G1", "G2"]


@pytest.mark.parametrize(
    ("unasked", "error"),
    [("ok", NotAcknowledged), ("bad limit", ControllerRefused), ("hello", ControllerReset), ("status 7", None)],
)
def test_what_comes_unasked_counts_before_the_next_line_is_sent(unasked, error):
    link, lines = speaking(G1=["ok"])
    link.coming.append(unasked)
    if error is None:
        lines.say("G1")
        assert link.sent == ["G1"]
        return
    with pytest.raises(error, match="no line was waiting for" if unasked == "ok" else unasked):
        lines.say("G1")
    assert (link.sent, lines.trusted) == ([], False)


def test_an_acknowledgement_where_none_is_due_is_one_too_many():
    _, lines = speaking(where=["ok"])
    with pytest.raises(NotAcknowledged, match="no line was waiting for"):
        lines.ask("where", PLACE, acknowledged=False)


@pytest.mark.parametrize(
    ("answers", "keys"),
    [(["somewhere", "ok"], "position_reply, acknowledge"), (["at 3"], "acknowledge"), ([], "acknowledge")],
)
def test_an_answer_that_does_not_fit_names_the_key(answers, keys):
    _, lines = speaking(where=answers)
    with pytest.raises(NotAcknowledged, match=f"'where' was not (answered|acknowledged).*and at {keys} and"):
        lines.ask("where", PLACE, acknowledged=True)


def test_a_posted_line_is_waited_for_without_waiting():
    link, lines = speaking(G4=[])
    assert lines.taken()
    lines.post("G4", 2.0)
    assert not lines.taken()
    with pytest.raises(NotAcknowledged, match="'G4' is not acknowledged yet"):
        lines.say("G1")
    lines.start_over()
    lines.post("G4", 2.0)
    link.coming.extend(["busy", "ok"])
    assert lines.taken()
    assert lines.taken()
    lines.post("G4", 2.0)
    link.clock.sleep(2.0)
    with pytest.raises(NotAcknowledged, match=r"'G4' was not acknowledged in time \(its last words: 'busy'\)"):
        lines.taken()


def test_quiet_is_counted_from_the_last_acknowledgement():
    link, lines = speaking(G1=["ok"])
    assert not lines.quiet
    link.clock.sleep(QUIET_S)
    assert lines.quiet
    lines.say("G1")
    assert not lines.quiet
    lines.post("G1", 1.0)
    link.clock.sleep(QUIET_S)
    assert lines.taken()
    assert not lines.quiet


def test_hearing_out_waits_the_whole_time_and_tells_a_greeting():
    link, lines = speaking()
    link.coming.extend(["hello board", "ok", "settings"])
    assert lines.hear_out(0.3)
    assert link.clock.now() == pytest.approx(0.3, abs=1e-6)
    assert lines.quoted == "'hello board', 'settings'"
    assert not lines.hear_out(0.1)
