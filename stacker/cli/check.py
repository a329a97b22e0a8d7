"""``stacker check``: the faults of files."""

from __future__ import annotations

from pathlib import Path

import click

from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Fault, InputError, StackerError


@click.command(name="check", short_help="the faults of request, rail and plan files")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@output_options
def command(files: tuple[Path, ...], *, as_json: bool, quiet: bool) -> None:
    """Read FILES (requests, rails, plans) and tell every fault with its line.

    \b
    Example:
      stacker check beetle.yaml bench.rail.yaml
    """
    from stacker.documents.kinds import check_file

    kinds: dict[str, str] = {}
    faults: list[Fault] = []
    refusals: list[StackerError] = []
    for path in files:
        try:
            kinds[str(path)] = check_file(path)
        except InputError as error:
            faults.extend(error.faults)
        except StackerError as error:
            refusals.append(error)
    if faults:
        raise InputError(faults)
    if refusals:
        raise refusals[0]
    if as_json:
        write_json(result_document("check", kinds))
    elif not quiet:
        for name, kind in kinds.items():
            click.echo(f"{name}: a sound {kind}")
    follow = {"request": "stacker plan", "plan": "stacker drive"}.get(next(iter(kinds.values())))
    note(f"Next: {follow} {files[0]}" if follow else "Next: name it in a request as 'rail:'", quiet=quiet or as_json)
