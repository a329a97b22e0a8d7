"""``stacker explain``: what a key, a label or a warning means."""

from __future__ import annotations

import dataclasses

import click

from stacker.cli.output import note, output_options, result_document, write_json


@click.command(name="explain")
@click.argument("key", required=False)
@output_options
def command(key: str | None, *, as_json: bool, quiet: bool) -> None:
    """Show the meaning, range and default of a KEY, or what a warning or a word means.

    KEY is a dotted key or its last part, the code of a warning, or a word of the bench card, of a table or of
    the page; without one, all are listed.

    \b
    Example:
      stacker explain focus.overlap
    """
    from stacker.documents.reference import entries, find, nearest_key
    from stacker.presenting.tables import wrapped

    found = find(key) if key else list(dict.fromkeys(entries()))
    if not found:
        near = nearest_key(key or "")
        hint = f" Did you mean '{near}'?" if near else " 'stacker explain' lists all."
        raise click.UsageError(f"Nothing is called '{key}'.{hint}")
    if as_json:
        write_json(result_document("explain", [dataclasses.asdict(entry) for entry in found]))
        return
    if quiet:
        return
    for entry in found:
        first, *others = entry.lines()
        click.echo(first)
        for line in others:
            click.echo("\n".join(wrapped(line.strip(), first="  ", indent="    ")))
    note("Next: stacker check FILE, or stacker plan REQUEST --set KEY=VALUE", quiet=quiet)
