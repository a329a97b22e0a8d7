"""What reaches the terminal, and what happens where nothing can be told any more."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from conftest import ROOT

from stacker.cli import main, output
from stacker.cli.streams import Screened, screened
from stacker.errors import Refusal

HOSTILE = "a\x1bcb\x1b]0;title\x07c\x9b1md\u202egpj.exe\u2066\r\x08"
SHOWN = "a?cb?]0;title?c?1md?gpj.exe???"


def test_no_control_sequence_gets_through_whoever_says_it(capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    with screened():
        click.echo(HOSTILE)
        click.echo(HOSTILE, err=True)
        sys.stderr.write(HOSTILE)
        with pytest.raises(click.Abort):
            click.confirm(HOSTILE, err=True)  # nobody answers
    said = capsys.readouterr()
    assert said.out.splitlines()[0] == SHOWN
    assert said.err.count(SHOWN) == 3
    assert "\x1b" not in said.out + said.err


def test_an_ascii_terminal_is_no_way_around_it():
    """Where a stream claims ASCII, click writes to its buffer."""
    below = io.TextIOWrapper(io.BytesIO(), encoding="ascii", errors="replace")
    click.echo(HOSTILE, file=Screened(below))
    below.flush()
    assert b"\x1b" not in below.buffer.getvalue()


def test_an_error_that_holds_a_sequence_is_told_without_it(capsys, monkeypatch):
    def refuse(**_):
        raise Refusal(HOSTILE)

    monkeypatch.setattr(main.stacker, "main", refuse)
    with pytest.raises(SystemExit):
        main.main(["plan"])
    assert capsys.readouterr().err == f"{SHOWN}\n"


def test_json_keeps_every_sign_as_an_escape_of_its_own(capsys):
    output.write_json(output.result_document("x", HOSTILE + "\U000e0041"))
    text = capsys.readouterr().out
    assert json.loads(text)["result"] == HOSTILE + "\U000e0041"
    assert all(sign.isprintable() or sign == "\n" for sign in text)


def test_progress_may_write_over_its_own_line():
    below = io.StringIO()
    Screened(below).write("\rframe 3\r2")
    assert below.getvalue() == "\rframe 3?2"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no device that is always full")
@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["explain", "overlap"], 1),
        (["explain", "overlap", "--json"], 1),
        (["export", "leaf_beetle.plan.yaml", "--format", "csv"], 1),
        (["drive", "leaf_beetle.plan.yaml", "--json"], 1),
        (["plan", "no_such.yaml", "--json"], 2),
        (["nonsense", "--json"], 2),
    ],
)
def test_a_full_disk_is_told_without_a_traceback(arguments, code):
    for full in ("stdout", "stderr"):
        with Path("/dev/full").open("w") as disk:
            other = "stderr" if full == "stdout" else "stdout"
            done = subprocess.run(
                [sys.executable, "-c", "from stacker.cli.main import main; main()", *arguments],
                cwd=ROOT / "plans",
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                check=False,
                **{full: disk, other: subprocess.PIPE},
            )
        said = (done.stderr or done.stdout or b"").decode()
        assert "Traceback" not in said
        assert "Exception ignored" not in said
        assert done.returncode == code if full == "stdout" else done.returncode in (0, 1, 2)
        if full == "stdout" and code == 1:
            assert "No space left on device; look at where the output goes" in said


def test_a_screen_that_outlives_its_stream_goes_without_a_word():
    below = io.StringIO()
    screen = Screened(below)
    screen.write("told")
    below.close()
    screen.close()  # as the interpreter does for an object that is not needed any more
    assert below.closed
