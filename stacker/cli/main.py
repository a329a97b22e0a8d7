"""Entry point: the table of commands, and the one place where errors become messages and exit codes."""

from __future__ import annotations

import contextlib
import os
import sys
from importlib import import_module
from typing import NoReturn

import click

from stacker import __version__
from stacker.cli.streams import drop, screened
from stacker.errors import StackerError

GROUPS = ("plan", "shoot", "afterwards", "set up")

# name: (group, module below stacker.cli, what it does). A module is imported only when its command is called.
COMMANDS: dict[str, tuple[str, str, str]] = {
    "new": ("plan", "new", "a commented request to start from"),
    "tubes": ("plan", "tubes", "what a lens reaches with the tubes at hand"),
    "plan": ("plan", "plan", "from a request to a plan and a bench card"),
    "apertures": ("plan", "apertures", "what each f-number buys: detail, frames, time"),
    "check": ("plan", "check", "the faults of files: requests, plans, rails, cameras"),
    "explain": ("plan", "explain", "what a key, a label or a warning means"),
    "schema": ("plan", "schema", "a JSON Schema of the files, for editors"),
    "jog": ("shoot", "jog", "move the rail key by key, mark front and back"),
    "drive": ("shoot", "drive", "a plan on a rail: dry run, or --go"),
    "survey": ("shoot", "survey", "front, back and gaps of a subject, from a coarse run"),
    "verify": ("afterwards", "verify", "are all frames of a run in the folder?"),
    "sort": ("afterwards", "sort", "a run's pictures in depth order, for blending"),
    "report": ("afterwards", "report", "a page with pictures of a plan"),
    "export": ("afterwards", "export", "the sequence as CSV, G-code or a dial sheet"),
    "evening": ("afterwards", "evening", "several stacks as one evening"),
    "calibrate": ("set up", "calibrate", "magnification, lens and screw, by measurement"),
    "rail": ("set up", "rail", "find, identify, move and simulate a rail"),
}


class Commands(click.Group):
    """A group that knows its commands from the table and loads one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names, in the order of the table."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module; its attribute ``command`` is the command."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"stacker.cli.{COMMANDS[cmd_name][1]}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Offer the nearest name when a command is misspelt."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else " 'stacker --help' lists the commands."
            raise click.UsageError(f"There is no command '{args[0]}'.{hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands by group, without importing any of them."""
        del ctx
        for group in GROUPS:
            rows = [(name, text) for name, (home, _, text) in COMMANDS.items() if home == group]
            if rows:
                with formatter.section(group):
                    formatter.write_dl(rows)


@click.command(
    cls=Commands,
    epilog="Start with: stacker new lens > mine.yaml, then stacker plan mine.yaml",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.version_option(__version__, message="stacker %(version)s")
def stacker() -> None:
    """Plan a focus stack from real optics, and shoot it on a stepper rail."""


def main(argv: list[str] | None = None) -> NoReturn:
    """Run one command and exit: 0 done, 1 refused or failed, 2 bad usage or input, 3 a run stopped early."""
    # The matrices are small: a second thread of the linear algebra library only gets in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with screened():
        code = _code_of(sys.argv[1:] if argv is None else argv)
    sys.exit(code)


def _code_of(arguments: list[str]) -> int:
    """The exit code of one command, its errors told."""
    as_json = "--json" in arguments
    try:
        code = stacker.main(args=arguments, prog_name="stacker", standalone_mode=False)
    except StackerError as error:
        return _report(error, as_json=as_json)
    except click.ClickException as error:
        if as_json:
            return _report(StackerError(error.format_message(), code="usage"), as_json=True, exit_code=2)
        with contextlib.suppress(OSError):
            error.show()
        return 2
    except (click.Abort, KeyboardInterrupt):
        with contextlib.suppress(OSError):
            click.echo("stopped.", err=True)
        return 1
    except BrokenPipeError:  # the reader (head, less) has seen enough
        drop(sys.stdout)
        return 0
    except OSError as error:
        reason = error.strerror or error
        text = f"{error.filename}: {reason}; check the name, the folder and its permissions"
        if not error.filename:
            text = f"{reason}; look at where the output goes, and at the room on that disk"
        return _report(StackerError(text, code="system"), as_json=as_json)
    return code if isinstance(code, int) else 0


def _report(error: StackerError, *, as_json: bool, exit_code: int | None = None) -> int:
    """Tell an error where anything can be told; the exit code tells it anyway."""
    try:
        click.echo(str(error), err=True)
    except OSError:
        drop(sys.stderr)
    try:
        if as_json:
            from stacker.cli.output import error_document, write_json

            write_json(error_document(error))
        sys.stdout.flush()
    except OSError:
        drop(sys.stdout)
    return error.exit_code if exit_code is None else exit_code
