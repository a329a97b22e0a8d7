"""``stacker new``: a commented file to start from."""

from __future__ import annotations

from pathlib import Path

import click

from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed


@click.command(name="new")
@click.argument("kind")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write this file instead of printing.")
@output_options
def command(kind: str, output: Path | None, *, as_json: bool, quiet: bool) -> None:
    """Print a commented request for one KIND of rig.

    Kinds: lens, reversed, coupled, objective, measured, bellows; and rail or hand_rail for a rail profile.

    \b
    Example:
      stacker new lens -o beetle.yaml
    """
    from stacker.documents.files import write_whole
    from stacker.documents.templates import KINDS, template
    from stacker.documents.values import nearest

    if kind not in KINDS:
        near = nearest(kind, KINDS)
        hint = f"did you mean '{near}'?" if near else f"known: {', '.join(KINDS)}"
        raise click.UsageError(f"There is no kind '{kind}'; {hint}")
    text = template(kind)
    if output is not None:
        if output.exists():
            raise Refusal(f"{output} exists; choose another name, nothing was written", code="exists")
        write_whole(output, text)
    if as_json:
        path = None if output is None else str(output)
        write_json(result_document("new", {"kind": kind, "path": path, "text": text}))
    elif output is None and not quiet:
        click.echo(text, nl=False)
    next_file = "FILE" if output is None else str(output)
    if kind in ("rail", "hand_rail"):
        follow = f"put the values of your rail into it, then 'rail: {next_file}' into the request."
    else:
        follow = f"put your own values into it, then: stacker plan {as_typed(next_file)}"
    note(f"Next: {follow}", quiet=quiet or as_json)
