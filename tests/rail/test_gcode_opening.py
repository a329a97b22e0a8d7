"""How a controller of words is woken, against a script: what is waited for, what is sent again, when it is unlocked."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rail.scripted import ScriptedLines
from rail.test_acknowledged import WORDS

from stacker.errors import LinkError
from stacker.rail.acknowledged import AcknowledgedLines
from stacker.rail.controller import ControllerRefused
from stacker.rail.gcode_opening import TRIES, open_up

WAKE_S = 1.5
KEYED = replace(WORDS, wake_s=WAKE_S, unlock=("open sesame",))


class Late(ScriptedLines):
    """Says something of its own at some times, and follows the script in between."""

    def __init__(self, *said: tuple[float, str], **answers: list[str]) -> None:
        super().__init__(**answers)
        self.said = [*said]

    def read_line(self, deadline_s: float) -> bytes | None:
        while self.said and self.said[0][0] <= self.clock.now():
            self.coming.append(self.said.pop(0)[1])
        return super().read_line(deadline_s)


def opened(link, words=KEYED) -> AcknowledgedLines:
    lines = AcknowledgedLines(link, words)
    open_up(lines, words, link.url)
    return lines


def test_it_is_left_to_greet_before_anything_is_sent():
    link = Late((0.2, "hello"), (1.0, "settings"), G21=["ok"], **{"open sesame": ["ok"]})
    lines = opened(link)
    assert link.sent == ["G21", "open sesame"]
    assert lines.at_opening == ["hello", "settings"]
    assert link.clock.now() >= WAKE_S
    assert lines.trusted


def test_one_that_did_not_greet_is_not_unlocked():
    link = Late(G21=["ok"], **{"open sesame": ["ok"]})
    opened(link)
    assert link.sent == ["G21"]


def test_one_that_greets_at_the_first_line_is_given_its_time_again():
    link = Late((WAKE_S + 0.1, "hello"), (2 * WAKE_S, "ready"), **{"open sesame": ["ok"]})

    def send(data: bytes) -> None:
        ScriptedLines.send(link, data)
        if link.sent.count("G21") == 2:
            link.coming.append("ok")

    link.send = send
    opened(link, replace(KEYED, acknowledge_s=5.0))
    assert link.sent == ["G21", "G21", "open sesame"]
    assert link.clock.now() >= 2 * WAKE_S  # silent that long again after the greeting


def test_one_that_swallows_the_first_line_is_asked_again_and_a_late_answer_is_heard_out():
    link = Late(**{"open sesame": ["ok"]})

    def send(data: bytes) -> None:
        ScriptedLines.send(link, data)
        if link.sent == ["G21"] * 2:
            link.said += [(link.clock.now() + 0.1, "ok"), (link.clock.now() + 0.3, "ok")]

    link.send = send
    lines = opened(link)
    assert link.sent == ["G21", "G21"]
    assert not link.coming
    link.answers["G1"] = ["ok"]
    lines.say("G1")  # the second one was not taken for this line's


def test_one_that_never_answers_is_told_with_what_it_said():
    link = Late((0.1, "boot loader 3"))
    with pytest.raises(LinkError, match=f"no 'ok' in answer to 'G21', sent {TRIES} times after 1.5 s.*'boot loader 3'"):
        opened(link)
    assert link.sent == ["G21"] * TRIES
    with pytest.raises(LinkError, match=r"of silence\. Look at"):
        opened(Late())


def test_one_that_is_locked_is_unlocked_or_told_about_the_key():
    opened(link := Late(G21=["bad: locked"], **{"open sesame": ["ok"]}))
    assert link.sent == ["G21", "open sesame"]
    with pytest.raises(ControllerRefused, match="write the line that unlocks it under unlock"):
        opened(Late(G21=["bad: locked"]), replace(KEYED, unlock=()))
