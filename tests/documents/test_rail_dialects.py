"""Rail profiles with another dialect, another shutter: what goes together, and what is told when it does not."""

import pytest
from rails import profile_text

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.loading import load_rail
from stacker.documents.rail_link import Link
from stacker.errors import InputError

RAIL = profile_text()
GCODE = "dialect: gcode, url: COM4, acknowledge: [taken], no_stop_accepted: true"


def load(folder, text):
    path = folder / "rail.yaml"
    path.write_text(RAIL + text, encoding="utf-8")
    return load_rail(path).value


def test_the_line_dialect_is_the_default_and_its_keys_are_few(tmp_path):
    link = load(tmp_path, "link: {url: COM4}\n").link
    assert isinstance(link, Link)
    assert not hasattr(link, "acknowledge")


def test_a_controller_of_words(tmp_path):
    text = f"link: {{{GCODE}, refuse: [bad, alarm], position_query: 'where?', position_reply: 'at {{mm}} mm'}}\n"
    link = load(tmp_path, text).link
    assert isinstance(link, GcodeLink)
    assert (link.acknowledge, link.refuse, link.axis) == (("taken",), ("bad", "alarm"), "X")
    assert link.position_reply == "at {mm} mm"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("link: {url: COM4, dialect: gcode}", "link.dialect: found gcode without acknowledge; write acknowledge: [the"),
        ("link: {url: COM4, acknowledge: [taken]}", "link.dialect: missing; write gcode"),
        (
            "link: {url: COM4, dialect: gcode, acknowledge: [taken]}",
            "link.no_stop_accepted: missing; write true or false (true: I know that nothing in this standard stops",
        ),
        (
            "link: {url: COM4, dialect: gcode, acknowledge: [taken], no_stop_accepted: false}",
            "link.no_stop_accepted: found false; this dialect cannot stop a move",
        ),
        (
            "link: {url: COM4, dialect: gcode, acknowledge: [], no_stop_accepted: true}",
            "link.acknowledge: found an empty list",
        ),
        (
            f"link: {{{GCODE}, position_query: 'where?'}}",
            "link.position_query: write position_query and position_reply",
        ),
        (
            f"link: {{{GCODE}, position_query: 'where?', position_reply: 'at'}}",
            "link.position_reply: found 'at'; write {mm} once",
        ),
        (f"link: {{{GCODE}}}\nhold_after: false", "hold_after: found false; the dialect gcode has no word"),
        (
            f"link: {{{GCODE}}}\ncheck_steps_after: true\nlow_switch_at_mm: 1",
            "check_steps_after: found true; the dialect gcode has no word that seeks",
        ),
        (f"link: {{{GCODE}}}\nshutter: {{sync_s: 0.5}}", "shutter: found focus_s or sync_s; the dialect gcode has one"),
        ("shutter: {via: rts}", "shutter.port: missing; via rts needs a serial port of its own"),
        ("shutter: {via: command}", "shutter.command: missing; write the program and its arguments"),
        ("shutter: {via: command, command: take one}", "shutter.command: found 'take one'; write a list in brackets"),
        ("shutter: {via: manual, bulb: true}", "shutter.bulb: found true with via manual"),
        ("shutter: {via: dtr, port: COM5, focus_s: 1}", "shutter.focus_s: found 1 with via dtr"),
        ("link: {url: COM4}\nshutter: {via: dtr, port: COM4}", "shutter: found the port COM4 twice"),
    ],
)
def test_what_does_not_go_together_is_told(tmp_path, text, message):
    with pytest.raises(InputError) as caught:
        load(tmp_path, text + "\n")
    assert any(message in str(fault) for fault in caught.value.faults), str(caught.value)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ("at_start: [G21, G28]", "link.at_start: found 'G28', which moves an axis"),
        ("at_start: ['G90 g01 X5']", "link.at_start: found 'G90 g01 X5', which moves an axis"),
        ("unlock: [G0], greeting: [hello]", "link.unlock: found 'G0', which moves an axis"),
        ("close_contact: 'G1 X3'", "link.close_contact: found 'G1 X3', which moves an axis"),
        ("close_contact: M9", "link.open_contact: found 'M9', as close_contact; the contact would stay closed"),
        ("open_contact: 'M9 \u00e9'", "write one line of 1 to 80 ASCII characters"),
        ("unlock: [free]", "link.unlock: found without greeting"),
        ("greeting: [ta]", "link.greeting: found in the acknowledgement 'taken'; each would count as a reset"),
        ("refuse: [t]", "link.refuse: found at the beginning of the acknowledgement 'taken'"),
        ("measured_10_mm: 1.67", "link.measured_10_mm: found 1.67; write a number from 9.7 to 10.3, in mm"),
        ("arrival: hope", "link.arrival: found 'hope'"),
    ],
)
def test_lines_that_move_and_answers_that_cannot_be_told_apart_are_refused(tmp_path, more, message):
    with pytest.raises(InputError) as caught:
        load(tmp_path, f"link: {{{GCODE}, {more}}}\n")
    assert any(message in str(fault) for fault in caught.value.faults), str(caught.value)


@pytest.mark.parametrize("line", ["G10 L2 P1", "G21", "G94", "M106 S255", "G17", "M62 P0", "set 100=1600"])
def test_lines_that_set_something_are_taken(tmp_path, line):
    assert load(tmp_path, f"link: {{{GCODE}, at_start: ['{line}']}}\n").link.at_start == (line,)
