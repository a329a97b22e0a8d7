"""The controller's core, compiled for this computer and fed with lines and events at random (tests/firmware/fuzz.c)."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from firmware.bench import FIRMWARE, HERE, require, run

CORE = ("protocol", "words", "rail", "motion", "ramp", "shot", "inputs")
WARNINGS = ("-Wall", "-Wextra", "-Werror")
SANITIZERS = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def compiled(folder: Path, *flags: str, everything_built_in: bool = True) -> Path:
    """The fuzzing program, with the shipped settings or with those of a bare board that has no switch and no sensor."""
    source = folder / "source"
    shutil.copytree(FIRMWARE, source)
    if not everything_built_in:
        config = source / "config.h"
        bare, changed = re.subn(r"_BUILT_IN 1$", "_BUILT_IN 0", config.read_text("utf-8"), flags=re.MULTILINE)
        assert changed == 4
        config.write_text(bare, "utf-8")
    files = [source / f"{name}.c" for name in CORE]
    run("gcc", "-std=gnu11", *flags, f"-I{source}", HERE / "fuzz.c", *files, "-o", folder / "fuzz", cwd=folder)
    return folder / "fuzz"


def counts(output: str) -> dict[str, int]:
    """What the program did, from its last line."""
    return {name: int(number) for name, number in re.findall(r"([a-z]+) (\d+)", output)}


def assert_it_was_busy(done: dict[str, int], lines: int) -> None:
    """A run that never moved or fired would prove nothing."""
    assert done["lines"] == lines
    assert 0.45 * lines < done["valid"] < 0.55 * lines
    assert done["replies"] > 0.45 * lines
    assert done["starts"] > lines / 200
    assert done["pulses"] > lines
    assert done["shots"] > lines / 500
    assert done["misses"] > lines / 50_000  # seeks that came to a bound


def test_a_short_run(tmp_path: Path) -> None:
    require("gcc")
    # neither warnings nor sanitizers here: what is called gcc differs from machine to machine
    program = compiled(tmp_path, "-O2")
    assert_it_was_busy(counts(run(program, "7", "100000")), 100_000)


@pytest.mark.campaign
def test_ten_million_lines_under_the_sanitizers(tmp_path: Path) -> None:
    require("gcc")
    program = compiled(tmp_path, *WARNINGS, *SANITIZERS)
    lines = 5_000_000  # each in one of two processes
    running = [
        subprocess.Popen([program, seed, str(lines)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for seed in ("1", "2")
    ]
    for process in running:
        output, faults = process.communicate()
        assert process.returncode == 0, faults
        assert_it_was_busy(counts(output), lines)


@pytest.mark.campaign
def test_every_branch_of_the_core_is_reached(tmp_path: Path) -> None:
    """As gcov counts branches. What asks whether a part is built in has its other branch on a bare board."""
    require("gcc", "gcov")
    missed: dict[str, set[tuple[str, str, str]]] = {}
    branches = 0
    for name, everything in (("shipped", True), ("bare", False)):
        folder = tmp_path / name
        folder.mkdir()
        program = compiled(folder, "-O0", "--coverage", everything_built_in=everything)
        run(program, "3", "1000000")
        missed[name] = set()
        for part in CORE:
            run("gcov", "-b", "-c", f"fuzz-{part}.gcda", cwd=folder)
            source = ""
            for text in (folder / f"{part}.c.gcov").read_text("utf-8").splitlines():
                if match := re.match(r"\s*[^:]+:\s*\d+:\s*(.*)", text):
                    source = match[1]
                elif match := re.match(r"branch\s+(\d+) (?:taken (\d+)|never executed)", text):
                    branches += 1
                    if not int(match[2] or 0):
                        missed[name].add((part, source, match[1]))
    assert branches > 600
    assert [line for line in missed["shipped"] if "built_in" not in line[1]] == []
    assert missed["shipped"] & missed["bare"] == set()
