"""Files from strangers in every command: told in words, soon, and nothing is touched that was not asked for.

The files are written by `cli.hostile`, each in a folder with a person's own ones; every command that opens a file gets
each of them, in every place where it takes one.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import unicodedata
from pathlib import Path

import pytest
from cli import hostile

from stacker.cli.main import COMMANDS, main

HANG_S = 10.0  # of computing; a command that waits for something gets longer, since the machine may be busy
WAIT_S = 40.0
GROUPS = 20
IT, URL = "<file>", "sim://bench?time_scale=inf"

# What is asked for, and which names in the folder that may add or change.
CALLS: list[tuple[list[str], tuple[str, ...]]] = [
    (["check", IT], ()),
    (["check", "good.yaml", IT, "--json"], ()),
    (["plan", IT], (".plan.yaml",)),
    (["plan", IT, "--set", "focus.overlap=0.5", "--json"], ()),
    (["plan", "good.yaml", "--set", f"rail={IT}"], ()),
    (["apertures", IT, "--frames", "50"], ()),
    (["drive", IT], ()),
    (["drive", IT, "--go"], ()),  # nobody answers: nothing may run
    (["drive", IT, "--go", "--yes", "--quiet", "--url", URL, "--frames", "1-2"], (".run.jsonl",)),
    (["drive", "good.plan.yaml", "--go", "--yes", "--quiet", "--url", URL, "--frames", "1", "--journal", IT], ()),
    (["drive", "good.plan.yaml", "--go", "--yes", "--url", URL, "--resume", IT], ()),
    (["drive", "good.plan.yaml", "--resume", IT], ()),
    (["drive", "hand.plan.yaml", "--go", "--resume", IT], ()),
    (["drive", "panels.plan.yaml", "--resume", IT], ()),
    (["verify", "pictures", "--journal", IT], ()),
    (["verify", IT, "--journal", IT], ()),
    (["verify", "pictures", "--journal", IT, "--look"], (".looks",)),
    (["survey", "pictures", "--journal", IT, "--picture", IT], ()),
    (["survey", IT, "--journal", IT, "--write", IT], ()),
    (["drive", IT, "--measure", "--travel-mm", "5"], ()),
    (["sort", "pictures", "--journal", IT, "--into", "new", "--go"], ()),
    (["sort", IT, "--journal", IT, "--into", IT, "--go"], ()),
    (["report", IT], (".html",)),
    (["export", IT, "--format", "csv"], ()),
    (["export", IT, "--format", "gcode", "--json"], ()),
    (["export", IT, "--format", "dial"], ()),
    (["evening", "good.plan.yaml", IT], ()),
    (["jog", IT, "--typed"], ()),
    (["calibrate", "scale", IT, "--ruler-mm", "10", "--pixels", "4000"], ()),
    (["calibrate", "rail", IT, "readings.csv"], ()),
    (["calibrate", "rail", "rail.yaml", IT], ()),
    (["rail", "identify", IT], ()),
    (["rail", "identify", "rail.yaml", "--url", f"{URL}&state={IT}"], ()),
    (["rail", "identify", "rail.yaml", "--url", f"{URL}&log={IT}"], ()),
    (["rail", "move", IT, "--by-mm", "-1", "--go"], ()),
    (["rail", "find", IT, "--go"], ()),
    (["explain", IT], ()),
    (["schema", IT], ()),
    # the file as the place of a result
    (["new", "lens", "-o", IT], ()),
    (["plan", "good.yaml", "-o", IT, "--quiet"], ()),
    (["export", "good.plan.yaml", "--format", "csv", "-o", IT], ()),
    (["report", "good.plan.yaml", "-o", IT], ()),
    (["calibrate", "rail", "rail.yaml", "readings.csv", "--picture", IT], ()),
]
# Results replace an empty file, and an older result of their kind, which these beginnings tell.
OURS = {"plan": b"stacker_plan:", "export": b"frame,focus_um,", "rail": b'{"time_s": '}


class Hang(BaseException):
    """No command may catch it."""


@contextlib.contextmanager
def no_hang():
    def stop(*_):
        raise Hang

    timers = ((signal.SIGPROF, signal.ITIMER_PROF, HANG_S), (signal.SIGALRM, signal.ITIMER_REAL, WAIT_S))
    before = [signal.signal(number, stop) for number, _, _ in timers]
    for _, timer, seconds in timers:
        signal.setitimer(timer, seconds)
    try:
        yield
    finally:
        for (number, timer, _), handler in zip(timers, before, strict=True):
            signal.setitimer(timer, 0)
            signal.signal(number, handler)


def state_of(folder: Path) -> dict[str, tuple[int, ...]]:
    """What stands there: a changed file has another number, size or time."""
    found = {}
    for entry in os.scandir(folder):
        about = entry.stat(follow_symlinks=False)
        found[entry.name] = (about.st_mode, about.st_ino, about.st_size, about.st_mtime_ns)
    return found


def commanding(text: str) -> set[str]:
    """Signs by which a text commands a terminal or turns round: controls and format characters, but for joiners."""
    return {
        sign
        for sign in text
        if (unicodedata.category(sign) == "Cc" and sign not in "\n\t") or unicodedata.bidirectional(sign) in TURNING
    }


TURNING = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def call(arguments: list[str], monkeypatch) -> tuple[object, str, str]:
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(), "utf-8"))
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    with no_hang(), pytest.raises(SystemExit) as ended:
        main(arguments)
    for stream in (out, err):
        stream.flush()
    said = [stream.buffer.getvalue().decode("utf-8") for stream in (out, err)]
    return ended.value.code, said[0], said[1]


def judge(folder: Path, name: str, content: bytes | None, monkeypatch) -> list[str]:
    """Every command on one file, or on what is none; what it did that it must not."""
    wrong = []
    for asked, may in CALLS:
        before = state_of(folder)
        arguments = [word.replace(IT, name) for word in asked]
        if name.startswith("-"):
            arguments = [word.replace(name, f"./{name}") for word in arguments]
        try:
            code, out, err = call(arguments, monkeypatch)
        except (Hang, Exception) as error:  # noqa: BLE001 - whatever it is, it is one
            wrong.append(f"{arguments}: {type(error).__name__} {str(error)[:200]}")
            continue
        if code not in (0, 1, 2, 3) or "Traceback" in out + err:
            wrong.append(f"{arguments}: exit code {code}, {err[-200:]}")
        if signs := commanding((out + err).replace("\r\n", "\n")):  # as RFC 4180 ends the lines of a table
            wrong.append(f"{arguments}: {signs} on the terminal")
        if len(out + err) > 500_000:
            wrong.append(f"{arguments}: {len(out + err)} characters to read")
        ours = content is not None and (not content or content.startswith(OURS.get(asked[0], b"\0")))
        replaced = name if ours else None
        after = state_of(folder)
        for changed in {key for key in before.keys() | after.keys() if before.get(key) != after.get(key)}:
            new = changed not in before and changed.endswith(may or ("\0",))
            if not new and changed != replaced and not (changed in before and changed.endswith(may or ("\0",))):
                wrong.append(f"{arguments}: {changed} was changed")
        for leftover in after.keys() - before.keys():
            (folder / leftover).unlink()
        if content is not None:
            (folder / name).write_bytes(content)
    assert (folder / "thesis.txt").read_text(encoding="utf-8") == "What I know of weevils.\n"
    assert not (folder / "pwned").exists()
    return wrong


def group(number: int) -> list[tuple[int, str, bytes]]:
    return [(turn, name, content) for turn, (name, content) in enumerate(hostile.files()) if turn % GROUPS == number]


def judged(files, tmp_path, monkeypatch) -> list[str]:
    pytest.importorskip("matplotlib")
    wrong = []
    for turn, name, content in files:
        folder = tmp_path / str(turn)
        folder.mkdir()
        called = hostile.name_of(name, turn)
        hostile.lay_out(folder, called, content)
        monkeypatch.chdir(folder)
        wrong += [f"{name}: {text}" for text in judge(folder, called, content, monkeypatch)]
    return wrong


pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="named pipes and an alarm")


@pytest.mark.campaign
@pytest.mark.parametrize("number", range(GROUPS))
def test_three_hundred_hostile_files_in_every_command(number, tmp_path, monkeypatch):
    files = group(number)
    assert len(files) == hostile.COUNT // GROUPS
    assert judged(files, tmp_path, monkeypatch) == []


@pytest.mark.usefixtures("undrawn")
def test_four_of_them(tmp_path, monkeypatch):
    assert judged(group(0)[:4], tmp_path, monkeypatch) == []


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["pipe", "/dev/zero", os.devnull, ".", "no/such/file", "x" * 300])
def test_what_is_no_file_in_every_command(name, tmp_path, monkeypatch):
    pytest.importorskip("matplotlib")
    hostile.lay_out(tmp_path, "any", b"")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "any").unlink()
    assert judge(tmp_path, name, None, monkeypatch) == []


def test_every_command_that_opens_a_file_is_called():
    assert {words[0] for words, _ in CALLS} == set(COMMANDS) - {"tubes"}  # which takes numbers alone
