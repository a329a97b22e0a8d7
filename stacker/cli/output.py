"""What all commands share: the options, the JSON envelope, and where lines go."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from stacker.errors import InputError, Refusal, StackerError
from stacker.figures import COMMANDS

ENVELOPE_VERSION = 1

Function = TypeVar("Function", bound=Callable[..., Any])


def output_options(function: Function) -> Function:
    """Add ``--json`` and ``--quiet``, which every command that prints a result takes."""
    function = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")(function)
    return click.option("--quiet", is_flag=True, help="Print nothing but errors.")(function)


def write_json(document: dict[str, Any]) -> None:
    """Print one JSON document on standard output; NaN and infinity are faults of ours and raise.

    What would command a terminal is written as JSON's escapes, so that programs read it as it is.
    """
    text = json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False)
    click.echo(COMMANDS.sub(lambda sign: json.dumps(sign[0])[1:-1], text))


def result_document(command: str, result: Any) -> dict[str, Any]:
    """The versioned envelope around the result of a command."""
    return {"stacker_json": ENVELOPE_VERSION, "command": command, "result": result}


def error_document(error: StackerError) -> dict[str, Any]:
    """The versioned envelope around an error, with its faults one by one."""
    body: dict[str, Any] = {"code": error.code, "message": str(error), "exit_code": error.exit_code}
    if isinstance(error, InputError):
        body["faults"] = [
            {"path": f.path, "line": f.line, "column": f.column, "key": f.key, "text": f.text} for f in error.shown
        ]
        body["fault_count"] = len(error.faults)
    return {"stacker_json": ENVELOPE_VERSION, "error": body}


def note(text: str, *, quiet: bool = False) -> None:
    """Say something beside the result: on standard error, so that a pipe holds results alone."""
    if not quiet:
        click.echo(text, err=True)


def keep_other_files(target: Path, beginning: str, result: str, *, option: str = "-o") -> None:
    """Replace an older result of the same kind, which begins alike, and nothing else: not a request, not a camera.

    Raises
    ------
    Refusal
        If a file of another kind stands there, or what is no file at all.
    """
    if not target.exists():
        return
    if not target.is_file():
        raise Refusal(f"{target} is a folder, a pipe or a device; choose another name with {option}", code="exists")
    with target.open("rb") as file:
        found = file.read(len(beginning.encode()))
    if found and found != beginning.encode():
        raise Refusal(f"{target} exists and is no {result}; choose another name with {option}", code="exists")
