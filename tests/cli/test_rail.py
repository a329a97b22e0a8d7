"""``stacker rail`` as a person types it."""

from __future__ import annotations

import io
import json

import pytest

from stacker.documents.words import HANDS


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
    failing = url + "&low_switch=8000&supply=sensed&supply_off_at_s=0.3"
    shown = stacker("rail", "identify", profile, "--url", url + "&low_switch=8000")
    assert "low switch free, no high switch, motor supply not sensed, motor" in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80
    assert stacker("rail", "move", profile, "--url", failing, "--by-mm", "10", "--go", "--yes").code == 3
    wired = url + "&low_switch=70000&supply=sensed"  # as if the rail stood on its low switch
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
    moved = stacker("rail", "move", profile, "--url", url, "--to-mm", "41", "--go", "--yes")
    assert "stands at 41.000 mm" in moved.out
    moved = stacker("rail", "move", profile, "--url", url, "--by-mm", "-10", "--go", "--yes", "--json")
    assert json.loads(moved.out)["result"]["position_mm"] == 31.0


@pytest.mark.parametrize("where", [["--to-mm", "1.99"], ["--to-mm", "78.01"], ["--by-mm", "60"], ["--by-mm", "-40"]])
def test_move_keeps_the_soft_limits(stacker, profile, url, tmp_path, where):
    refused = stacker("rail", "move", profile, "--url", url, *where, "--go", "--yes")
    assert refused.code == 1
    assert "outside the limits" in refused.err
    assert "start" not in (tmp_path / "rail.log").read_text()


def test_a_rail_that_does_not_know_its_place_moves_by_a_millimetre_at_most(stacker, profile, url, tmp_path):
    lost = url + "&position=unknown"
    refused = stacker("rail", "move", profile, "--url", lost, "--to-mm", "41", "--go", "--yes")
    assert (refused.code, "--rail-at-mm" in refused.err) == (1, True)
    refused = stacker("rail", "move", profile, "--url", lost, "--by-mm", "1.1", "--go", "--yes")
    assert (refused.code, "at most 1 mm" in refused.err) == (1, True)
    moved = stacker("rail", "move", profile, "--url", lost, "--by-mm", "-0.5", "--go", "--yes")
    assert "its position is not known" in moved.out
    moved = stacker("rail", "move", profile, "--url", lost, "--rail-at-mm", "39.5", "--to-mm", "41", "--go", "--yes")
    assert "stands at 41.000 mm" in moved.out
    last = json.loads((tmp_path / "rail.log").read_text().splitlines()[-1])
    assert last["position_microsteps"] == 41 * 1600


def test_find_seeks_the_switch_and_names_the_place(stacker, plans, url, tmp_path):
    profile = tmp_path / "bench.rail.yaml"
    text = (plans / "rails" / "bench.yaml").read_text()
    profile.write_text(text + "low_switch_at_mm: 5\n")
    lost = url + "&position=unknown&low_switch=8000"
    assert "nothing moved" in stacker("rail", "find", profile, "--url", lost).out
    found = stacker("rail", "find", profile, "--url", lost, "--go", "--yes")
    assert found.code == 0, found.err
    identified = json.loads(stacker("rail", "identify", profile, "--url", lost, "--json").out)["result"]
    assert identified["known"]
    place = json.loads((tmp_path / "rail.log").read_text().splitlines()[-1])["position_microsteps"]
    assert (
        abs(identified["position_microsteps"] - place) <= 1
    )  # the switch cleared at 8001, which the profile calls 5 mm


def test_find_without_a_switch_is_refused(stacker, profile, url):
    refused = stacker("rail", "find", profile, "--url", url, "--go", "--yes")
    assert refused.code == 1
    assert "switch" in refused.err


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
    here = f'{profile} --url "{url}{position}"'  # at the port that was asked for
    assert f"Next: stacker rail {follow.format(here)}\n" in told


def test_with_a_switch_that_reads_hit_no_move_is_advised(stacker, profile, url):
    told = stacker("rail", "identify", profile, "--url", url + "&position=unknown&low_switch=8000&low_wire=cut").err
    assert told == "Next: look at the switch that reads hit, at its plug and wire\n"


def test_a_rail_without_switches_says_what_to_do_instead_of_seeking(stacker, profile, url):
    told = stacker("rail", "find", profile, "--url", url + "&position=unknown", "--go", "--yes")
    assert told.code == 1
    assert "read its scale and pass --rail-at-mm instead" in told.err


def test_a_millimetre_that_is_no_whole_number_of_microsteps_is_not_made_longer(stacker, profile, url, tmp_path):
    """8.03 mm a turn: 398.5 microsteps a millimetre; rounded up, a millimetre would be refused as more than one."""
    odd = tmp_path / "odd.yaml"
    odd.write_text(profile.read_text(encoding="utf-8").replace("lead_mm: 2", "lead_mm: 8.03"), encoding="utf-8")
    assert "8.03" in odd.read_text(encoding="utf-8")
    moved = stacker("rail", "move", odd, "--url", url + "&position=unknown", "--by-mm", "-1", "--go", "--yes")
    assert (moved.code, "has moved by -1 mm" in moved.out) == (0, True), moved.err
    assert "say where it is with --rail-at-mm" in moved.err


# ----------------------------------------------------------------------------------------------- asked before it moves


@pytest.mark.parametrize(
    ("words", "options", "told"),
    [
        (
            ["move", "--to-mm", "41"],
            "",
            "stands at 40.000 mm and goes to 41.000 mm, 1.000 mm deeper, toward the subject",
        ),
        (["move", "--by-mm", "-2"], "", "stands at 40.000 mm and goes to 38.000 mm, 2.000 mm back, away from"),
        (
            ["move", "--by-mm", "-0.5"],
            "&position=unknown",
            "does not know where it stands and goes 0.500 mm back, away from the subject, slowly",
        ),
        (["find"], "&low_switch=8000", "stands at 40.000 mm and goes to its low end, away from the subject, until the"),
        (["find", "--end", "high"], "&high_switch=120000", "TOWARD THE SUBJECT: lens and subject out of the way"),
    ],
)
def test_a_move_says_from_where_to_where_and_asks(stacker, profile, url, tmp_path, monkeypatch, words, options, told):
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    asked = stacker("rail", words[0], profile, "--url", url + options, *words[1:], "--go")
    assert asked.code == 1
    assert told in " ".join(asked.err.split())
    assert HANDS in " ".join(asked.err.split())
    assert "not started: nothing moved" in asked.err
    assert max(map(len, asked.err.splitlines())) <= 80
    assert "start" not in (tmp_path / "rail.log").read_text()
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert stacker("rail", words[0], profile, "--url", url + options, *words[1:], "--go").code == 0
    assert "start" in (tmp_path / "rail.log").read_text()
    monkeypatch.setattr("sys.stdin", io.StringIO(""))  # nobody there to ask
    assert stacker("rail", words[0], profile, "--url", url + options, *words[1:], "--go").code != 0


def test_what_cannot_be_done_is_refused_before_anybody_is_asked(stacker, profile, url, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert "outside the limits" in stacker("rail", "move", profile, "--url", url, "--to-mm", "79", "--go").err
    told = stacker("rail", "find", profile, "--url", url + "&low_switch=1600&low_wire=cut", "--go").err
    assert "reads hit" in told
    assert "[y/N]" not in told


@pytest.mark.parametrize("position", ["known", "unknown"])
def test_with_the_low_plug_pulled_nothing_moves(stacker, profile, url, tmp_path, position):
    """As the page on bringing a rail up has it tried: moves and the seek; only a slow jog away from it is left."""
    pulled = url + f"&low_switch=1600&low_wire=cut&position={position}"
    for words in (["find"], ["move", "--to-mm", "41"], ["move", "--by-mm", "5"], ["move", "--by-mm", "-0.1"]):
        refused = stacker("rail", words[0], profile, "--url", pulled, *words[1:], "--go", "--yes")
        assert refused.code in (1, 3), words
    assert "start" not in (tmp_path / "rail.log").read_text()
    assert stacker("rail", "move", profile, "--url", pulled, "--by-mm", "0.1", "--go", "--yes").code == 0


@pytest.mark.parametrize(
    ("end", "switches", "follow"),
    [
        ("low", "low_switch=1000", "--to-mm 2 --go, 0.9"),
        ("low", "low_switch=8000", "rail identify"),
        ("high", "high_switch=126400", "--by-mm -1 --go"),
    ],
)
def test_after_find_the_next_move_is_short_and_no_run_into_the_subject(
    stacker, plans, tmp_path, url, end, switches, follow
):
    profile = tmp_path / "bench.rail.yaml"
    at_mm = 1 if "1000" in switches else 5
    profile.write_text((plans / "rails" / "bench.yaml").read_text() + f"low_switch_at_mm: {at_mm}\n")
    found = stacker("rail", "find", profile, "--end", end, "--url", f"{url}&{switches}", "--go", "--yes")
    assert found.code == 0, found.err
    assert follow in found.err.splitlines()[-1]


def test_after_finding_a_switch_whose_place_nobody_wrote_down_no_move_is_advised(stacker, profile, url):
    found = stacker("rail", "find", profile, "--url", url + "&position=unknown&low_switch=8000", "--go", "--yes")
    assert "write low_switch_at_mm into" in found.err
    assert "--go" not in found.err.splitlines()[-1]


def test_identify_takes_the_rail_from_nobody(stacker, profile, url, tmp_path):
    stacker("rail", "move", profile, "--url", url, "--to-mm", "41", "--go", "--yes")
    before = json.loads((tmp_path / "rail.json").read_text())["state"]
    assert before["session"] != "00000000"
    assert before["limits"]
    assert "stands at 41.000 mm" in stacker("rail", "identify", profile, "--url", url).out
    after = json.loads((tmp_path / "rail.json").read_text())["state"]
    for name in ("session", "sequence", "stored", "limits", "latched", "speed", "deadman_ms"):
        assert after[name] == before[name], name


@pytest.mark.usefixtures("undrawn")
def test_a_caution_stands_wherever_somebody_lets_a_rail_move(stacker, plans, tmp_path, monkeypatch):
    """One sentence, one place."""
    path = plans / "leaf_beetle.yaml"
    card = stacker("plan", path, "-o", tmp_path / "p.plan.yaml").out
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    asked = stacker("drive", plans / "leaf_beetle.plan.yaml", "--go", "--url", "sim://x?time_scale=inf").err
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    jogged = stacker("jog", path, "--typed", "--url", "sim://x?time_scale=inf").err
    stacker("report", plans / "leaf_beetle.plan.yaml", "-o", tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text("utf-8")
    for said in (card, asked, jogged, page):
        assert HANDS in " ".join(said.split())
    by_hand = stacker("plan", plans / "calcite_by_hand.yaml", "-o", tmp_path / "h.plan.yaml").out
    assert HANDS not in " ".join(by_hand.split())
