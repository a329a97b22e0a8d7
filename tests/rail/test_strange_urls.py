"""A rail's URL may come with somebody else's profile or plan: it replaces no file of a person's and breaks nothing."""

from __future__ import annotations

import json

import pytest

from stacker.errors import LinkError, StackerError
from stacker.rail.line import LineController
from stacker.rail.link import open_link
from stacker.rail.port_shutter import SerialReleaseLine
from stacker.rail.simulated.options import SimulatedOptions

THESIS = "What I know of weevils.\n"


def run(url: str) -> None:
    """Open, ask, close: as ``stacker rail identify`` does."""
    controller = LineController(open_link(url, 115_200))
    try:
        controller.connect()
    finally:
        controller.close()


@pytest.mark.parametrize("option", ["log", "state"])
@pytest.mark.parametrize(
    "content", [THESIS, "{}", '{"event": "run", "run": "0a0b0c0d"}', json.dumps({"states": 1}), "\0"]
)
def test_a_log_and_a_state_replace_only_their_own_kind(tmp_path, option, content):
    thesis = tmp_path / "thesis.txt"
    thesis.write_text(content, encoding="utf-8")
    with pytest.raises(StackerError, match=f"exists and is no {option} of a simulated rail"):
        run(f"sim://k?time_scale=inf&{option}={thesis}")
    assert thesis.read_text(encoding="utf-8") == content


def test_a_known_state_does_not_open_the_way_to_a_log(tmp_path):
    """With a state the log is cut to a length that the state holds."""
    run(f"sim://k?time_scale=inf&state={tmp_path / 'rail.json'}")
    (tmp_path / "thesis.txt").write_text(THESIS, encoding="utf-8")
    with pytest.raises(StackerError, match="is no log"):
        run(f"sim://k?time_scale=inf&state={tmp_path / 'rail.json'}&log={tmp_path / 'thesis.txt'}")
    assert (tmp_path / "thesis.txt").read_text(encoding="utf-8") == THESIS


def test_they_replace_their_own_kind_and_what_is_empty(tmp_path):
    log, state = tmp_path / "rail.log", tmp_path / "rail.json"
    log.touch()
    state.touch()
    for _ in range(2):
        run(f"sim://k?time_scale=inf&state={state}&log={log}")
    lines = log.read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["event"] for line in lines].count("open") == 2
    run(f"sim://k?time_scale=inf&log={log}")  # without a memory the board is new, and so is its log
    lines = log.read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["event"] for line in lines].count("open") == 1


def edited(saved: dict, path: str, value: object) -> dict:
    *blocks, word = path.split(".")
    node = saved
    for block in blocks:
        node = node[block]
    node[word] = value
    return saved


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("state", []),
        ("state.now_s", "soon"),
        ("state.now_s", 1e18),  # time would stand still: a second more is the same number
        ("state.now_s", float("nan")),
        ("state.count", 1.5),
        ("state.count", 10**400),
        ("state.carriage", None),
        ("state.carriage", {"place": "here"}),
        ("state.motion", {"pieces": 3}),
        ("state.acceleration", 0),
        ("state.ring", [300]),
        ("state.under_way", [[0.0, -1]]),
        ("state.limits", [1, 2, 3]),
        ("state.no_such_register", 1),
        ("log_bytes", -1),
        ("wall_s", "noon"),
    ],
)
def test_a_memory_that_no_board_wrote_is_refused(tmp_path, path, value):
    state = tmp_path / "rail.json"
    run(f"sim://k?time_scale=inf&state={state}")
    text = json.dumps(edited(json.loads(state.read_text(encoding="utf-8")), path, value))
    state.write_text(text, encoding="utf-8")
    with pytest.raises(StackerError, match=r"rail\.json: its state is not as|is no state"):
        run(f"sim://k?time_scale=inf&state={state}")
    assert state.read_text(encoding="utf-8") == text


def test_a_memory_full_of_brackets_is_refused(tmp_path):
    state = tmp_path / "rail.json"
    state.write_text('{"state": {"a": ' + "[" * 100_000, encoding="utf-8")
    with pytest.raises(StackerError, match="its state is not as"):
        run(f"sim://k?time_scale=inf&state={state}")


@pytest.mark.parametrize(
    "option",
    [
        "travel=0",
        "travel=1e9",
        "travel=99999999999999999999",
        "turn=0",
        "per_mm=-1",
        "baud=0",
        "top_speed=0",
        "top_acceleration=-5",
        "time_scale=nan",
        "time_scale=0",
        "lag_s=-1",
        "delay_s=nan",
        "exposure_s=inf",
        "damage=1.5",
        "lose=a:b",
        "lose=1",
        "name=two%20words",
        "name=",
        "name=%1b[2J",
        "sync=perhaps",
        "unknown=1",
    ],
)
def test_what_no_rail_can_be_is_refused_in_words(option):
    with pytest.raises(ValueError, match=option.partition("=")[0]):
        SimulatedOptions.from_url(f"sim://k?{option}")
    with pytest.raises(LinkError):
        open_link(f"sim://k?time_scale=inf&{option}", 115_200)


def test_no_sign_is_left_out_of_a_name_in_silence(tmp_path):
    """As urllib does with line ends and tabulators."""
    for sign in ("\r", "\n", "\t", "\x1b", "\u202e"):
        with pytest.raises(LinkError, match="no name should have"):
            run(f"sim://k?time_scale=inf&log={tmp_path / 'a'}{sign}b")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("scheme", ["spy", "alt", "hwgrep", "cp2110", "loop", "file", "SPY"])
def test_only_ports_and_what_leads_to_a_rail_are_opened(tmp_path, scheme):
    """``spy://`` of pyserial (3.5, handlers) writes what it sees into any file."""
    thesis = tmp_path / "thesis.txt"
    thesis.write_text(THESIS, encoding="utf-8")
    url = f"{scheme}://sim://x?file={thesis}"
    for opened in (lambda: open_link(url, 115_200), lambda: SerialReleaseLine(url, "rts")):
        with pytest.raises(LinkError, match="not a port; write its name"):
            opened()
    assert thesis.read_text(encoding="utf-8") == THESIS
