"""The builder's pages say what the firmware, the drawings and the command line say."""

from __future__ import annotations

import re
import shlex
import xml.etree.ElementTree as ET
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from stacker.cli.main import stacker
from stacker.documents.loading import load_rail
from stacker.documents.rail_profile import RailProfile
from stacker.rail.simulated.reference import defaults, described

NOTES = Path(__file__).parents[2] / "hardware_notes"
FIRMWARE = NOTES / "firmware"
PAGES = sorted(NOTES.glob("*.md"))
DRAWINGS = sorted(NOTES.glob("*.svg"))


def text(path: Path) -> str:
    return path.read_text("utf-8")


def pin_table() -> dict[str, str]:
    """Chip port by pin of the board, from wiring.md."""
    return dict(re.findall(r"^\| ([DA]\d) \| (P[BCD]\d) \|", text(NOTES / "wiring.md"), re.MULTILINE))


def setting(name: str) -> str:
    """A value of config.h."""
    match = re.search(rf'^#define {name} "?([^" ]+?)L?"?(?:\s|$)', text(FIRMWARE / "config.h"), re.MULTILINE)
    assert match is not None, name
    return match[1]


def test_the_pin_table_is_the_firmwares() -> None:
    in_source = set(re.findall(r"\(1 << (P[BCD]\d)\)", text(FIRMWARE / "board_atmega328p.c")))
    serial = {"PD0", "PD1"}  # fixed by the chip
    assert set(pin_table().values()) == in_source | serial


def test_the_pin_table_names_ports_as_the_chip_does() -> None:
    """D0 to D7 are port D, D8 and D9 begin port B, A0 to A5 are port C (the common boards' circuit; from memory)."""
    for pin, port in pin_table().items():
        number = int(pin[1:])
        letter = "C" if pin[0] == "A" else "D" if number < 8 else "B"
        assert port == f"P{letter}{number if letter != 'B' else number - 8}"


def test_every_wired_pin_is_in_the_drawing() -> None:
    drawn = set(re.findall(r'class="pin"[^>]*>([DA]\d)<', text(NOTES / "wiring.svg")))
    assert drawn == set(pin_table()) - {"D0", "D1"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)", text(page)):
        assert "://" in target or (NOTES / target).exists(), target


def test_every_page_and_drawing_is_reached_from_the_entry_page() -> None:
    reached, waiting = set(), [NOTES / "README.md"]
    while waiting:
        page = waiting.pop()
        if page in reached:
            continue
        reached.add(page)
        if page.suffix == ".md":
            waiting += [NOTES / target for target in re.findall(r"\]\(([^)#:]+)", text(page))]
    assert {*PAGES, *DRAWINGS} <= reached


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda drawing: drawing.name)
def test_drawings_stand_alone_and_can_be_read_aloud(drawing: Path) -> None:
    root = ET.parse(drawing).getroot()
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    assert root.find(f"{name}title") is not None
    assert root.find(f"{name}desc") is not None
    for element in root.iter():
        assert element.tag not in (f"{name}script", f"{name}image")
        for key, value in element.attrib.items():
            assert not key.endswith("href") or value.startswith("#")
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    for element in root.iter(f"{name}text"):
        assert 0 <= float(element.attrib["x"]) <= width
        assert 0 <= float(element.attrib["y"]) <= height


def commands() -> list[str]:
    """Every ``stacker ...`` in a code span or block of the pages."""
    found: set[str] = set()
    for page in PAGES:
        found |= {" ".join(span.split()) for span in re.findall(r"`(stacker [^`]+)`", text(page))}
    return sorted(found)


@pytest.mark.parametrize("line", commands())
def test_commands_on_the_pages_exist(line: str) -> None:
    words = shlex.split(line)[1:]
    command: click.Command = stacker
    context = click.Context(command)
    while words and isinstance(command, click.Group):
        inner = command.get_command(context, words.pop(0))
        assert inner is not None, line
        command = inner
    known = {option for parameter in command.params for option in parameter.opts}
    for word in words:
        assert not word.startswith("--") or word in known, word


def test_settings_named_on_the_pages_are_in_the_configuration() -> None:
    named = set()
    for page in PAGES:
        named |= set(re.findall(r"`([A-Z]+(?:_[A-Z]+)+)`", text(page)))
    assert named
    for name in named:
        assert re.search(rf"^#define {name} ", text(FIRMWARE / "config.h"), re.MULTILINE), name


def test_the_profile_on_the_page_is_valid_and_fits_the_configuration(tmp_path: Path) -> None:
    match = re.search(r"```yaml\n(name: .*?)```", text(NOTES / "choosing.md"), re.DOTALL)
    assert match is not None
    path = tmp_path / "bench.rail.yaml"
    path.write_text(match[1], "utf-8")
    profile = load_rail(path).value
    assert isinstance(profile, RailProfile)
    per_turn = profile.full_steps_per_turn * profile.microsteps_per_full_step
    per_mm = per_turn * profile.motor_turns_per_screw_turn / profile.lead_mm
    assert int(setting("MICROSTEPS_PER_TURN")) == per_turn
    assert int(setting("MICROSTEPS_PER_MM")) == per_mm
    assert int(setting("TRAVEL_MM")) == profile.travel_mm
    assert profile.acceleration_mm_s2 >= 1  # LOWEST_ACCELERATION
    assert int(setting("HIGHEST_SPEED")) >= profile.speed_mm_s * per_mm
    assert int(setting("HIGHEST_ACCELERATION")) >= profile.acceleration_mm_s2 * per_mm


def test_microsteps_in_the_table_are_what_the_formula_gives() -> None:
    rows = re.findall(
        r"^\| ([\d.]+) mm \| (\d+) \| (none|(\d) : 1) \| ([\d.]+) um \|$", text(NOTES / "choosing.md"), re.MULTILINE
    )
    assert len(rows) == 5
    for lead_mm, microsteps, _, ratio, microstep_um in rows:
        expected_um = 1000 * float(lead_mm) / (200 * int(microsteps) * int(ratio or 1))
        assert float(microstep_um) == pytest.approx(expected_um, rel=0.005)  # printed to three digits


def test_the_options_of_the_simulated_rail_are_all_described_on_the_page_and_in_the_help():
    from hardware_notes.simulated_options import PAGE, page

    names = [name for group, _ in described() for name in group]
    assert sorted(names) == sorted(defaults())
    assert all(meaning.endswith(".") for _, meaning in described())
    assert page(text(PAGE)) == text(PAGE), "python tests/hardware_notes/simulated_options.py writes it anew"
    shown = CliRunner().invoke(stacker, ["rail", "simulate", "--help"], prog_name="stacker").output
    assert all(re.search(rf"\b{name}\b", shown) for name in names)
    assert max(map(len, shown.splitlines())) <= 80
