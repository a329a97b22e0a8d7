"""``stacker check``: the faults of files."""

from __future__ import annotations

from pathlib import Path

import click

from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Fault, InputError, StackerError
from stacker.figures import as_typed


@click.command(name="check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@output_options
def command(files: tuple[Path, ...], *, as_json: bool, quiet: bool) -> None:
    """Read FILES (requests, plans, blocks of their own: rails, cameras) and report every fault with its line.

    \b
    Example:
      stacker check beetle.yaml bench.rail.yaml
    """
    from stacker.documents.outdated import remark_on_age
    from stacker.documents.plan_file import read_plan

    kinds = _kinds(files)
    if as_json:
        write_json(result_document("check", kinds))
    elif not quiet:
        for name, kind in kinds.items():
            click.echo(f"{name}: a valid {kind}")
            if kind == "plan" and (text := remark_on_age(read_plan(name), Path(name))):
                note(text)
            for text in _doubts(kind, Path(name)):
                note(f"{name}: {text}")
    kind = kinds[str(files[0])]
    follow = {"request": f"stacker plan {as_typed(files[0])}", "plan": f"stacker drive {as_typed(files[0])}"}
    note(f"Next: {follow.get(kind, f'name it in a request as {kind}: {files[0]}')}", quiet=quiet or as_json)


def _doubts(kind: str, path: Path) -> list[str]:
    """What a run on this rail could not know."""
    from stacker.documents.loading import load_rail, load_request
    from stacker.documents.plan_file import read_plan
    from stacker.documents.rail_profile import RailProfile
    from stacker.driving.job import link_of
    from stacker.driving.last_word import doubts

    if kind not in ("rail", "request", "plan"):
        return []
    request = read_plan(path).request if kind == "plan" else load_request(path).value if kind == "request" else None
    rail = load_rail(path).value if request is None else request.rail
    if not isinstance(rail, RailProfile) or rail.link is None:
        return []
    return doubts(link_of(rail).gcode)


def _kinds(files: tuple[Path, ...]) -> dict[str, str]:
    """What each file is; all faults of all files come together."""
    from stacker.documents.checking import check_file

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
        for refusal in refusals:
            note(str(refusal))
        raise InputError(faults)
    if refusals:
        raise refusals[0]
    return kinds
