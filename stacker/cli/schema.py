"""``stacker schema``: a JSON Schema of the files, for editors."""

from __future__ import annotations

import click

from stacker.cli.output import note, write_json


@click.command(name="schema")
@click.argument("document", type=click.Choice(["request", "rail", "plan"]), default="request")
def command(document: str) -> None:
    """Print the JSON Schema of a request, a rail or a plan, so that an editor completes keys and marks faults.

    \b
    Example:
      stacker schema request > request.schema.json
    """
    from stacker.documents.reference import schema

    write_json(schema(document))
    note("Next: stacker check FILE finds the faults that a schema cannot tell")
