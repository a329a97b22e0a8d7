"""Calling a person to the bench: the terminal's bell, and a program of theirs."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from shutil import which

import click

from stacker.cli.output import note
from stacker.errors import Refusal
from stacker.figures import harmless


def ring(text: str = "") -> None:
    """Sound the terminal's bell; where standard error is no terminal, nothing."""
    del text
    if sys.stderr.isatty():
        click.echo("\a", nl=False, err=True)


def caller_of(program: str | None) -> Callable[[str], None]:
    """What calls a person with one sentence.

    Parameters
    ----------
    program : str or None
        Started with the sentence as its one argument, by no shell; None: the bell alone.

    Raises
    ------
    Refusal
        Before anything moves, when there is no such program.
    """
    if program is None:
        return ring
    found = which(program)
    if found is None:
        raise Refusal(f"--call {program}: no such program; write its whole path.", code="call")

    def call(text: str) -> None:
        ring()
        # a thread waits for it, so that the run does not, and nothing is left behind in the table of processes
        threading.Thread(target=_run, args=(found, harmless(text)), daemon=True).start()

    return call


def _run(program: str, text: str) -> None:
    nothing = subprocess.DEVNULL
    try:
        subprocess.run(  # noqa: S603  # the person's own program, found before the run
            [program, text],
            check=False,
            stdin=nothing,
            stdout=nothing,
            stderr=nothing,
            start_new_session=True,  # Ctrl-C is for the run
        )
    except OSError as error:  # the run does not depend on it
        note(f"--call {program} could not be started ({error.strerror or error}).")
