"""Files that no person wrote: each is refused in words, soon, and with little to read."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest
from conftest import ROOT

from stacker.documents.checking import check_file
from stacker.documents.files import write_whole
from stacker.documents.journal import read_records
from stacker.documents.loading import load_request
from stacker.documents.plan_file import digest_of, parse_plan
from stacker.documents.source import parse, read_text
from stacker.driving.journal import reopen
from stacker.errors import TOLD, InputError

GOOD = (
    "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\n"
    "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\n"
)
SOON_S = 5.0  # of computing, on any machine; without the bounds these take from 20 s on


def refused(path, content: str) -> str:
    path.write_text(content, encoding="utf-8")
    began_s = time.process_time()
    with pytest.raises(InputError) as found:
        check_file(path)
    assert time.process_time() - began_s < SOON_S
    assert len(str(found.value)) < 12_000
    return str(found.value)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        pytest.param("[" * 100_000, "nested too deeply", id="brackets"),
        pytest.param("{a: " * 40_000, "nested too deeply", id="braces"),
        pytest.param("- " * 90_000, "nested too deeply", id="dashes"),
        pytest.param("? " * 90_000, "nested too deeply", id="question marks"),
        pytest.param("x: [" + "-1, " * 300 + "[" * 40 + "]" * 40 + "]\n", "nested too deeply", id="late"),
        pytest.param("".join(f"{' ' * n}a:\n" for n in range(600)), "nested too deeply", id="indented"),
        pytest.param("".join(f"key{n}: 1\n" for n in range(50_000)), "longer than 200000", id="50,000 keys"),
        pytest.param("".join(f"key{n}: 1\n" for n in range(15_000)), "15000 unknown keys in all", id="15,000 keys"),
        pytest.param(
            GOOD + "subject:\n  depth_mm: 3\n  zones: [" + "{from_mm: 0, to_mm: 1, overlap: 0.5}, " * 4000 + "]\n",
            "found a list of 4000; write at most 20",
            id="zones",
        ),
        pytest.param(
            GOOD + "subject: {depth_mm: 3}\nfocus: {wavelengths: [" + "{nm: 550, weight: 1}, " * 5000 + "]}\n",
            "found a list of 5000; write at most 40",
            id="wavelengths",
        ),
    ],
)
def test_what_would_take_for_ever_is_refused_at_once(tmp_path, content, message):
    assert message in refused(tmp_path / "a.yaml", content)


def test_brackets_never_reach_the_library_that_dies_of_them(monkeypatch):
    """PyYAML before 6.0.4 ends the whole program on them, no exception."""
    import yaml

    monkeypatch.setattr(yaml, "compose", lambda *_args, **_kwargs: pytest.fail("composed"))
    for content in ("[" * 1000, "{a: " * 1000, "- " * 1000, "? " * 1000):
        with pytest.raises(InputError, match="nested too deeply"):
            parse(content, "a.yaml")


def test_the_most_that_is_allowed_is_planned_soon(tmp_path):
    from stacker.planning.planner import plan_of

    zones = "".join(
        f"    - {{from_mm: {n / 100:.2f}, to_mm: {n / 100 + 0.005:.3f}, overlap: 0.5}}\n" for n in range(20)
    )
    bands = ", ".join(f"{{nm: {450 + n}, weight: 1}}" for n in range(40))
    path = tmp_path / "a.yaml"
    text = f"{GOOD}subject:\n  depth_mm: 3\n  zones:\n{zones}focus: {{wavelengths: [{bands}]}}\n"
    path.write_text(text, encoding="utf-8")
    loaded = load_request(path)
    began_s = time.process_time()
    plan_of(loaded.value, loaded.assumed)
    assert time.process_time() - began_s < SOON_S


@pytest.fixture
def text() -> str:
    return (ROOT / "plans" / "leaf_beetle.plan.yaml").read_text(encoding="utf-8")


def faults(text: str) -> list[str]:
    with pytest.raises(InputError) as found:
        parse_plan(text, "p.yaml")
    return str(found.value).splitlines()


def test_of_many_bad_rows_the_first_twenty_are_told_and_how_many_there_are(text):
    head, rows, _ = text.partition("  rows:\n")
    with pytest.raises(InputError) as found:
        parse_plan(head + rows + "    - [1]\n" * 50_000, "p.yaml")
    said = str(found.value).splitlines()
    assert len(said) == TOLD + 1
    assert all("found 1 values" in line for line in said[:TOLD])
    assert said[-1] == "... and 1 more; correct these first"
    assert "50000 rows in all" in found.value.faults[-1].text


def test_brackets_in_a_row_are_a_bad_row(text):
    head, rows, _ = text.partition("  rows:\n")
    assert "frames.rows: found" in faults(f"{head}{rows}    - {'[' * 200_000}{']' * 200_000}\n")[0]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_or_a_device_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", "/dev/zero"):
        said: list[InputError] = []

        def look(path=path, said=said):
            for read in (read_text, lambda name: read_records(Path(name)), lambda name: reopen(Path(name))):
                try:
                    read(path)
                except InputError as error:
                    said.append(error)  # noqa: B023 - the name of this very handler

        thread = threading.Thread(target=look, daemon=True)
        thread.start()
        thread.join(60)  # it would wait for ever; a busy computer is late
        assert len(said) == 3, f"{path}: still reading"
        assert all("is a pipe or a device" in str(error) for error in said)


def test_a_file_larger_than_any_of_ours_is_not_read(tmp_path):
    with (tmp_path / "a.yaml").open("wb") as file:
        file.truncate(1 << 40)  # sparse: it takes no room
    with pytest.raises(InputError, match="larger than 64 MB"):
        read_text(tmp_path / "a.yaml")


def forged(text: str, old: str, new: str) -> str:
    assert old in text
    changed = text.replace(old, new, 1)
    written = next(line for line in text.splitlines() if line.startswith("digest: "))
    return changed.replace(written, f"digest: {digest_of(changed)}")


@pytest.mark.parametrize("count", [0, 59, 61])
def test_a_forged_count_is_found(text, count):
    assert f"coverage.frame_count: found {count}" in faults(forged(text, "frame_count: 60", f"frame_count: {count}"))[0]


def test_a_forged_microstep_is_found(text):
    said = faults(forged(text, "  microstep_um: 0.625", "  microstep_um: 6.25"))
    assert said == ["p.yaml: motion.microstep_um: found 6.25, but the request's rail makes 0.625; make the plan again"]


def test_a_forged_lead_is_found(text):
    """The same microsteps on a coarser screw would go ten times as far."""
    assert "frames.position_microsteps" in "".join(faults(forged(text, "    lead_mm: 2", "    lead_mm: 20")))


@pytest.mark.parametrize("name", ["leaf_beetle", "seed_head_bellows", "calcite_by_hand", "wulfenite_objective"])
def test_a_rail_that_goes_elsewhere_than_the_focus_is_found(name):
    text = (ROOT / "plans" / f"{name}.plan.yaml").read_text(encoding="utf-8")
    head, rows, table = text.partition("  rows:\n")
    lines = table.splitlines(keepends=True)
    cells = lines[3].split(", ")
    cells[1] = f"{float(cells[1]) + 0.6:.4f}"  # less than a microstep of any of them
    said = faults(forged(text, lines[3], ", ".join(cells)))
    assert "frames.rail_um: found" in said[0]
    assert said[0].startswith(f"p.yaml:{(head + rows).count(chr(10)) + 4}:5: ")


def test_frames_that_turn_round_are_found(text):
    rows = [line for line in text.splitlines(keepends=True) if line.startswith("    - [3, ")]
    cells = rows[0].split(", ")
    for column in (1, 2, 3, 4):
        cells[column] = f"{float(cells[column]) - 91.25 * 2:.4f}"
    said = faults(forged(text, rows[0], ", ".join(cells)))
    assert "frames.focus_um: found" in said[0]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_no_file_is_put_in_the_place_of_a_pipe(tmp_path):
    """Whichever command asks for it: the last guard before the rename."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="not a regular file"):
        write_whole(tmp_path / "pipe", "x")
    assert [(path.name, path.is_fifo()) for path in tmp_path.iterdir()] == [("pipe", True)]
