"""``stacker rail`` as a person types it."""

from __future__ import annotations

import json

import pytest


@pytest.fixture
def profile(plans):
    return plans / "rails" / "bench.yaml"


@pytest.fixture
def url(tmp_path):
    return f"sim://bench?time_scale=inf&state={tmp_path / 'rail.json'}&log={tmp_path / 'rail.log'}"


def test_ports_are_listed(stacker, monkeypatch):
    monkeypatch.setattr("stacker.rail.link.ports", lambda: [("/dev/ttyX0", "a board")])
    shown = stacker("rail", "ports")
    assert (shown.code, shown.out) == (0, "/dev/ttyX0  a board\n")
    assert json.loads(stacker("rail", "ports", "--json").out)["result"]["ports"][0]["port"] == "/dev/ttyX0"
    monkeypatch.setattr("stacker.rail.link.ports", list)
    assert "no serial port found" in stacker("rail", "ports").out


def test_identify_moves_nothing_and_tells_who_and_where(stacker, profile, url, tmp_path):
    shown = stacker("rail", "identify", profile, "--url", url)
    assert shown.code == 0, shown.err
    assert "sim, protocol 1, boot 1, 3200 microsteps a turn" in shown.out
    assert "stands at 40.000 mm" in shown.out
    assert "start" not in (tmp_path / "rail.log").read_text()
    result = json.loads(stacker("rail", "identify", profile, "--url", url, "--json").out)["result"]
    assert (result["position_mm"], result["known"]) == (40.0, True)


def test_identify_tells_switches_supply_motor_and_latch(stacker, profile, url):
    wired = url + "&low_switch=70000&supply=sensed&supply_off_at_s=0.3"  # the rail stands on its low switch
    shown = stacker("rail", "identify", profile, "--url", url + "&low_switch=8000")
    assert "low switch free, no high switch, motor supply not sensed, motor" in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80
    assert stacker("rail", "move", profile, "--url", wired, "--by-mm", "10", "--go").code == 3
    result = json.loads(stacker("rail", "identify", profile, "--url", wired, "--json").out)["result"]
    assert result["inputs"] == {
        "low_switch": "hit",
        "high_switch": "none",
        "supply": "gone",
        "motor": "held",
        "latch": "stopped",
    }


def test_identify_refuses_jumpers_that_differ(stacker, profile):
    refused = stacker("rail", "identify", profile, "--url", "sim://x?time_scale=inf&turn=6400")
    assert refused.code == 1
    assert "jumpers" in refused.err


def test_move_needs_go(stacker, profile, url, tmp_path):
    shown = stacker("rail", "move", profile, "--url", url, "--to-mm", "41")
    assert (shown.code, "nothing moved" in shown.out) == (0, True)
    assert not (tmp_path / "rail.log").exists()
    moved = stacker("rail", "move", profile, "--url", url, "--to-mm", "41", "--go")
    assert "stands at 41.000 mm" in moved.out
    moved = stacker("rail", "move", profile, "--url", url, "--by-mm", "-10", "--go", "--json")
    assert json.loads(moved.out)["result"]["position_mm"] == 31.0


@pytest.mark.parametrize("where", [["--to-mm", "1.99"], ["--to-mm", "78.01"], ["--by-mm", "60"], ["--by-mm", "-40"]])
def test_move_keeps_the_soft_limits(stacker, profile, url, tmp_path, where):
    refused = stacker("rail", "move", profile, "--url", url, *where, "--go")
    assert refused.code == 1
    assert "outside the limits" in refused.err
    assert "start" not in (tmp_path / "rail.log").read_text()


def test_a_rail_that_does_not_know_its_place_moves_by_a_millimetre_at_most(stacker, profile, url, tmp_path):
    lost = url + "&position=unknown"
    refused = stacker("rail", "move", profile, "--url", lost, "--to-mm", "41", "--go")
    assert (refused.code, "--rail-at-mm" in refused.err) == (1, True)
    refused = stacker("rail", "move", profile, "--url", lost, "--by-mm", "1.1", "--go")
    assert (refused.code, "at most 1 mm" in refused.err) == (1, True)
    moved = stacker("rail", "move", profile, "--url", lost, "--by-mm", "-0.5", "--go")
    assert "its position is not known" in moved.out
    moved = stacker("rail", "move", profile, "--url", lost, "--rail-at-mm", "39.5", "--to-mm", "41", "--go")
    assert "stands at 41.000 mm" in moved.out
    last = json.loads((tmp_path / "rail.log").read_text().splitlines()[-1])
    assert last["position_microsteps"] == 41 * 1600


def test_find_seeks_the_switch_and_names_the_place(stacker, plans, url, tmp_path):
    profile = tmp_path / "bench.rail.yaml"
    text = (plans / "rails" / "bench.yaml").read_text()
    profile.write_text(text + "low_switch_at_mm: 5\n")
    lost = url + "&position=unknown&low_switch=8000"
    assert "nothing moved" in stacker("rail", "find", profile, "--url", lost).out
    found = stacker("rail", "find", profile, "--url", lost, "--go")
    assert found.code == 0, found.err
    identified = json.loads(stacker("rail", "identify", profile, "--url", lost, "--json").out)["result"]
    assert identified["known"]
    place = json.loads((tmp_path / "rail.log").read_text().splitlines()[-1])["position_microsteps"]
    assert (
        abs(identified["position_microsteps"] - place) <= 1
    )  # the switch cleared at 8001, which the profile calls 5 mm


def test_find_without_a_switch_is_refused(stacker, profile, url):
    refused = stacker("rail", "find", profile, "--url", url, "--go")
    assert refused.code == 1
    assert "switch" in refused.err


def test_a_hand_rail_has_no_controller(stacker, plans):
    refused = stacker("rail", "identify", plans / "rails" / "hand.yaml")
    assert (refused.code, "hand rail" in refused.err) == (1, True)


def test_move_wants_one_goal(stacker, profile):
    assert stacker("rail", "move", profile).code == 2
    assert stacker("rail", "move", profile, "--to-mm", "4", "--by-mm", "1").code == 2


@pytest.mark.parametrize("url", ["sim://x?nonsense=1", "sim://x?time_scale=inf"])
def test_simulate_refuses_what_it_cannot_serve(stacker, url):
    assert stacker("rail", "simulate", url).code == 2


@pytest.mark.parametrize(
    ("position", "follow"),
    [
        ("", "move {} --by-mm -1 --go"),
        ("&position=unknown&low_switch=8000", "find {} --go"),
        ("&position=unknown", "move {} --by-mm -1 --go"),  # there is no switch to seek
    ],
)
def test_the_next_step_after_identify_can_be_typed(stacker, profile, url, position, follow):
    told = stacker("rail", "identify", profile, "--url", url + position).err
    assert f"Next: stacker rail {follow.format(profile)}\n" in told


def test_a_rail_without_switches_says_what_to_do_instead_of_seeking(stacker, profile, url):
    told = stacker("rail", "find", profile, "--url", url + "&position=unknown", "--go")
    assert told.code == 1
    assert "read its scale and pass --rail-at-mm instead" in told.err


def test_a_millimetre_that_is_no_whole_number_of_microsteps_is_not_made_longer(stacker, profile, url, tmp_path):
    """8.03 mm a turn: 398.5 microsteps a millimetre; rounded up, a millimetre would be refused as more than one."""
    odd = tmp_path / "odd.yaml"
    odd.write_text(profile.read_text(encoding="utf-8").replace("lead_mm: 2", "lead_mm: 8.03"), encoding="utf-8")
    assert "8.03" in odd.read_text(encoding="utf-8")
    moved = stacker("rail", "move", odd, "--url", url + "&position=unknown", "--by-mm", "-1", "--go")
    assert (moved.code, "has moved by -1 mm" in moved.out) == (0, True), moved.err
    assert "name the place with --rail-at-mm" in moved.err
