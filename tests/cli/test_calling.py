"""``stacker drive --call``: a program of the person's own is told when the run ends, stops or needs somebody."""

import ast
import sys
import threading
import time

import pytest

from stacker.cli import calling
from stacker.cli.calling import caller_of, ring


@pytest.fixture
def program(tmp_path):
    """Keeps each sentence it is called with; a name with a space and signs that a shell would obey."""
    kept = tmp_path / "told.txt"
    path = tmp_path / "tell me; touch oops"
    path.write_text(f"#!{sys.executable}\nimport sys\nopen({str(kept)!r}, 'a').write(repr(sys.argv[1:]) + '\\n')\n")
    path.chmod(0o755)
    return path


def sentences(program):
    for thread in threading.enumerate():
        if thread is not threading.current_thread() and thread.daemon:
            thread.join(20)
    return (program.parent / "told.txt").read_text(encoding="utf-8").splitlines()


def test_the_end_of_a_run_is_told_in_one_sentence(stacker, plan, url, program):
    done = stacker("drive", plan, "--go", "--yes", "--frames", "1-3", "--url", url, "--call", program)
    assert done.code == 0, done.err
    (told,) = sentences(program)
    assert "the run has ended; 3 frames taken in" in told
    assert told.startswith("['Leaf beetle")
    assert told.count("', '") == 0  # one argument
    assert f"this computer runs\n  {program}" in done.err  # said before the first move
    assert not (program.parent / "oops").exists()


def test_a_stop_is_told_and_the_command_that_goes_on_calls_again(stacker, plan, url, program):
    stopped = stacker("drive", plan, "--go", "--yes", "--url", f"{url}&unplug_at_s=20", "--call", program)
    assert stopped.code != 0
    (told,) = sentences(program)
    (sentence,) = ast.literal_eval(told)
    assert sentence.startswith("Leaf beetle, side: ")
    assert sentence.removeprefix("Leaf beetle, side: ") in stopped.err
    assert "--resume" in stopped.err
    assert "--call" in stopped.err.partition("--resume")[2]


def test_a_rehearsal_calls_nobody_and_its_command_repeats_the_call(stacker, plan, program):
    shown = stacker("drive", plan, "--call", program)
    assert "--call" in shown.err
    assert not (program.parent / "told.txt").exists()


def test_a_program_that_is_not_there_is_refused_before_anything_moves(stacker, plan, url, tmp_path):
    refused = stacker("drive", plan, "--go", "--yes", "--url", url, "--call", tmp_path / "none")
    assert refused.code == 1
    assert "no such program; write its whole path" in refused.err
    assert not (tmp_path / "rail.log").exists()


def test_a_program_that_cannot_be_started_stops_nothing(tmp_path, capsys):
    path = tmp_path / "no program at all"
    path.write_text("\0")
    path.chmod(0o755)
    caller_of(str(path))("come")
    for thread in threading.enumerate():
        if thread.daemon and thread is not threading.current_thread():
            thread.join(20)
    assert "could not be started" in capsys.readouterr().err


def test_the_run_does_not_wait_for_the_program(tmp_path):
    path = tmp_path / "slow"
    path.write_text("#!/bin/sh\nexec sleep 3\n")
    path.chmod(0o755)
    began = time.monotonic()
    caller_of(str(path))("come")
    assert time.monotonic() - began < 2


@pytest.mark.parametrize(("terminal", "bell"), [(True, "\a"), (False, "")])
def test_the_bell_is_for_terminals(capsys, monkeypatch, terminal, bell):
    monkeypatch.setattr(calling.sys.stderr, "isatty", lambda: terminal)
    ring("come")
    assert capsys.readouterr().err == bell


def test_a_frame_that_only_a_person_can_confirm_calls_one(program):
    from stacker.cli.drive_talk import person_for

    class Nobody:
        stop_order = None

        def suspended(self):
            raise __import__("click").Abort

    who = person_for(Nobody(), caller_of(str(program)), quiet=True)
    assert not who.confirm_taken("frame 7 may be missing")
    assert sentences(program) == ["['frame 7 may be missing']"]
