"""The G-code export, run by a strict reader written from NISTIR 6556."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import pytest
from presenting.rs274 import run

from stacker.errors import Refusal
from stacker.motion.frame_clock import Wire
from stacker.motion.move_time import move_time_s
from stacker.presenting.export_gcode import gcode_text

FLASH = ("light.kind=flash", "light.exposure_s=0.005", "light.recycle_s=2.5")


def shots(machine):
    """Where the machine stood when the output went on, and the dwells before, during and after."""
    where, out, dwell_s = None, [], 0.0
    for event in machine.events:
        match event:
            case ("move", x, _):
                assert not out or out[-1][-1] is not None, "moved with the contact closed"
                where, dwell_s = x, 0.0
            case ("dwell", seconds):
                dwell_s += seconds
            case ("on",):
                out.append((where, dwell_s, None))
                dwell_s = 0.0
            case ("off",) if out and out[-1][-1] is None:
                out[-1] = (*out[-1][:2], dwell_s)
                dwell_s = 0.0
    return out


@pytest.mark.parametrize("overrides", [(), FLASH, ("order=back_to_front",), ("moves=subject",)])
def test_the_contact_closes_once_at_every_position_of_the_plan(planned, overrides):
    plan = planned(*overrides)
    taken = shots(run(gcode_text(plan)))
    microstep_mm = plan.motion.microstep_um / 1000
    assert [round(x / microstep_mm, 3) for x, _, _ in taken] == plan.frames.position_microsteps
    assert all(before_s >= 0.6 for _, before_s, _ in taken), "the rail settles before every frame"
    assert {during_s for _, _, during_s in taken} == {0.15}


def test_on_b_the_contact_stays_closed_for_the_exposure(planned):
    plan = planned("rail.shutter.bulb=true", "light.exposure_s=2.5")
    assert {during_s for _, _, during_s in shots(run(gcode_text(plan)))} == {2.5}


def test_a_trigger_stands_on_a_line_of_its_own(planned):
    lines = gcode_text(planned()).splitlines()
    assert all(line in {"M8", "M9"} for line in lines if "M8" in line.split("(")[0] or "M9" in line.split("(")[0])


def test_the_first_frame_is_reached_like_all_others(planned):
    for order, way in (("front_to_back", 1), ("back_to_front", -1)):
        plan = planned(f"order={order}")
        moves = [event[1] for event in run(gcode_text(plan)).events if event[0] == "move"]
        steps = [after - before for before, after in pairwise(moves)]
        assert all(step * way > 0 for step in steps)
        # 12 um and a quarter, on microsteps of 0.3125 um
        assert abs(steps[0]) == pytest.approx(0.015, abs=1e-7)


@pytest.mark.parametrize("overrides", [(), FLASH, ("camera.write_mb_s=5", "camera.buffer_frames=3")])
def test_the_program_takes_as_long_as_the_plan(planned, overrides, monkeypatch):
    # A run has requests and answers on the wire between two frames; a program has not, so here the plan has none too.
    monkeypatch.setattr("stacker.planning.budget.wire_of", lambda _: Wire())
    plan = planned(*overrides)
    here = total_s = 0.0
    for event in run(gcode_text(plan)).events:
        if event[0] == "move":
            total_s += move_time_s(event[1] - here, speed_mm_s=event[2] / 60, acceleration_mm_s2=10)
            here = event[1]
        elif event[0] == "dwell":
            total_s += event[1]
    until_s = plan.frames.start_s[-1] + plan.frames.exposure_s[-1]
    # each dwell is rounded up to a millisecond; the contact of the last flash outlasts its exposure by 0.08 s
    assert until_s - 1e-3 <= total_s <= until_s + 0.1 + 3e-3 * len(plan.frames)


GCODE_LINK = "rail.link={url: COM4, dialect: gcode, acknowledge: [taken], no_stop_accepted: true}"


def test_another_machine_does_not_make_the_pauses_of_our_own_dialect_and_the_flash_recycles_all_the_same(planned):
    here = now_s = 0.0
    contacts_s = []
    for event in run(gcode_text(planned(*FLASH, GCODE_LINK))).events:
        if event[0] == "move":
            now_s += move_time_s(event[1] - here, speed_mm_s=event[2] / 60, acceleration_mm_s2=10)
            here = event[1]
        elif event[0] == "dwell":
            now_s += event[1]
        elif event[0] == "on":
            contacts_s.append(now_s)
    assert min(later - earlier for earlier, later in pairwise(contacts_s)) >= 2.5 - 1e-6


def test_the_rail_waits_for_mirror_lag_and_exposure(planned):
    program = gcode_text(planned())
    # 0.05 + 0.02 + 0.4 s less the pulse of 0.15 s
    assert program.count("M9\nG4 P0.32\n") == len(planned().frames)


def test_words_are_those_of_the_report_alone(planned):
    codes = {line.split()[0] for line in gcode_text(planned()).splitlines() if not line.startswith("(")}
    assert codes == {"G21", "G90", "G94", "F120", "G1", "G4", "M8", "M9", "M2"}


def test_a_title_cannot_break_out_of_its_comment(planned):
    text = gcode_text(replace(planned(), name="Käfer (1) (MSG, M2)\nG0 X99 %"))
    machine = run(text)
    assert max(event[1] for event in machine.events if event[0] == "move") < 2
    assert "K_fer _1_ _MSG, M2__G0 X99 %" in text


@pytest.mark.parametrize("length", range(60, 80))
def test_a_title_cannot_begin_an_active_comment(planned, length):
    """NISTIR 6556, 3.3.4: a comment that begins with MSG, is a message; other controllers print, log, or run more."""
    text = gcode_text(replace(planned(), name=f"{'x' * length} MSG, put your hand in   DEBUG, LOG, "))
    comments = [line for line in text.splitlines() if line.startswith("(")]
    assert any("MSG," in line for line in comments)
    assert not [line for line in comments if re.match(r"\(\s*\w+\s*,", line)]


def test_the_unit_of_dwells_is_said_on_the_sheet(planned):
    assert "dwell G4 P in seconds" in gcode_text(planned())


def test_refused_without_motor_or_light(planned, hand_rail):
    with pytest.raises(Refusal, match="motor rail"):
        gcode_text(planned(rail=None))
    with pytest.raises(Refusal, match="motor rail"):
        gcode_text(planned(rail=hand_rail))
    with pytest.raises(Refusal, match="light:"):
        gcode_text(planned("light=null"))


def test_dwells_in_milliseconds_are_the_same_waits(planned):
    plan = planned(*FLASH)
    seconds = [line for line in gcode_text(plan).splitlines() if line.startswith("G4")]
    text = re.sub(r"\)\n\(- ", " ", gcode_text(plan, milliseconds=True))
    other = [line for line in text.splitlines() if line.startswith("G4")]
    assert [float(line[4:]) * 1000 for line in seconds] == pytest.approx([int(line[4:]) for line in other])
    assert "dwell G4 P in milliseconds" in text
    assert "try G4 P3000 by itself first" in text


def test_plain_has_neither_comments_nor_m2_and_the_same_motion(planned):
    plan = planned(*FLASH)
    plain = gcode_text(plan, plain=True)
    assert "(" not in plain
    assert "M2" not in plain.splitlines()
    assert plain.splitlines() == [
        line for line in gcode_text(plan).splitlines() if not line.startswith("(") and line != "M2"
    ]


def test_the_contact_of_the_profile_is_the_contact_of_the_program(planned):
    link = GCODE_LINK.replace("no_stop", "close_contact: M106 S255, open_contact: M107, no_stop")
    text = gcode_text(planned(*FLASH, link))
    lines = text.splitlines()
    assert lines.count("M106 S255") == gcode_text(planned(*FLASH)).splitlines().count("M8")
    assert "M8" not in lines
    assert "(M106 S255 closes the shutter contact, M107 opens it)" in text
