"""The firmware compiles without a warning, leaves room in the part, and brings its fuses along."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from firmware import bench
from firmware.bench import (
    CLOCK_HZ,
    FIRMWARE,
    HIGHEST_ACCELERATION,
    HIGHEST_SPEED,
    Host,
    SimulatedBoard,
    built_firmware,
    run,
)

# ATmega328P data sheet: 32 kB flash, of which a boot loader takes up to 2 kB, and 2 kB RAM.
FLASH_BYTES, RAM_BYTES = 30 * 1024, 2048


def sizes() -> tuple[int, int]:
    """Flash, and RAM without the stack, as the Makefile prints them [bytes]."""
    _, said = built_firmware()
    match = re.search(r"^\s*(\d+)\s+(\d+)\s+(\d+)\s+\d+\s+[0-9a-f]+\s+firmware\.elf$", said, re.MULTILINE)
    assert match is not None, said
    text, data, bss = map(int, match.groups())
    return text + data, data + bss


@pytest.mark.campaign
def test_it_fits_the_part(board: SimulatedBoard, host: Host, capsys: pytest.CaptureFixture[str]) -> None:
    board.do("carriage 0 -500 5000")
    host.ready(speed=HIGHEST_SPEED, acceleration=HIGHEST_ACCELERATION)
    for verb in ("move 1000", "seek low", "fire 1 0", "identify", "state", "dance"):
        host.ask(verb)
        host.rest()
    stack = board.stats()["stack"]
    flash, ram = sizes()
    with capsys.disabled():
        print(f"\nfirmware: flash {flash} bytes, RAM {ram} bytes and {stack:.0f} of stack")
    assert flash < FLASH_BYTES
    # Interrupts do not nest: the deepest stack is the main loop's and one interrupt's. Twice what was seen is ample.
    assert ram + 2 * stack < RAM_BYTES


@pytest.mark.campaign
def test_the_fuses_are_in_the_program_and_in_the_makefile() -> None:
    """Low, high, extended; BODLEVEL 100 is a brown-out at 4.3 V (ATmega328P data sheet)."""
    elf, _ = built_firmware()
    match = re.search(r"^ \w+ ([0-9a-f]{6}) ", run("avr-objdump", "-s", "-j", ".fuse", elf), re.MULTILINE)
    assert match is not None
    low, high, extended = bytes.fromhex(match[1])
    assert extended & 0b111 == 0b100
    assert high & 0b1000 == 0  # EESAVE: the boot counter outlives a new program
    makefile = (FIRMWARE / "Makefile").read_text("utf-8")
    assert re.findall(r"[lhe]fuse:w:0x([0-9A-F]{2}):m", makefile) == [f"{low:02X}", f"{high:02X}", f"{extended:02X}"]


@pytest.mark.campaign
def test_the_interrupts_take_no_longer_than_the_page_says(board: SimulatedBoard, host: Host) -> None:
    page = (FIRMWARE / "README.md").read_text("utf-8")
    said_us = {
        name: int(us) for name, us in re.findall(r"^- \*\*(Step|Tick)\*\*.* At most (\d+) us\.$", page, re.MULTILINE)
    }
    board.do("carriage 0 -500 500")
    host.ready(speed=HIGHEST_SPEED, acceleration=HIGHEST_ACCELERATION)
    host.order("move 450")
    host.rest()
    host.order("shutter 50 20", "watch 100 200", "fire 1 450")
    host.shot_done()
    for end in ("low", "high"):
        host.order(f"seek {end}")
        assert host.rest()[2] == "found"
    stats = board.stats()
    for name in ("Step", "Tick"):
        # never longer than said, and no more than a fifth shorter, so that the page does not grow stale either way
        assert 0.8 * said_us[name] < stats[name.lower()] / (CLOCK_HZ / 1e6) <= said_us[name]


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("BAUD_RATE", "250000UL"),
        ("SEEK_SPEED", "2000L"),
        ("SEEK_SPEED", "390L"),
        ("OVERTRAVEL_MM", "3L"),
        ("SUPPLY_MV", "24000L"),  # with the divider for 12 V
        ("LOWEST_ACCELERATION", "5000L"),
    ],
)
def test_settings_that_would_be_dangerous_do_not_compile(tmp_path: Path, setting: str, value: str) -> None:
    bench.require("avr-gcc", "make")
    source = tmp_path / "source"
    shutil.copytree(FIRMWARE, source)
    config = source / "config.h"
    text, changed = re.subn(
        rf"^#define {setting} .*$", f"#define {setting} {value}", config.read_text("utf-8"), flags=re.MULTILINE
    )
    assert changed == 1
    config.write_text(text, "utf-8")
    done = subprocess.run(["make", "firmware.elf"], cwd=source, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "static assertion failed" in done.stderr


@pytest.mark.parametrize(("environment", "outcome"), [("", pytest.skip.Exception), ("1", pytest.fail.Exception)])
def test_a_missing_tool_is_a_skip_here_and_a_failure_where_it_must_run(
    monkeypatch: pytest.MonkeyPatch, environment: str, outcome: type[BaseException]
) -> None:
    monkeypatch.setenv("STACKER_REQUIRE_FIRMWARE", environment)
    monkeypatch.setattr(shutil, "which", lambda _: None)
    with pytest.raises(outcome, match="not installed: avr-gcc"):
        bench.require("avr-gcc")
