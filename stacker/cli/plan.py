"""``stacker plan``: from a request to a plan and a bench card."""

from __future__ import annotations

from pathlib import Path

import click

from stacker.cli.output import keep_other_files, note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed


@click.command(name="plan")
@click.argument("request", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Where the plan goes; NAME.plan.yaml otherwise.")
@click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Instead of what the file says.")
@output_options
def command(request: Path, output: Path | None, overrides: tuple[str, ...], *, as_json: bool, quiet: bool) -> None:
    """Plan the stack of a REQUEST: write NAME.plan.yaml beside it and print the bench card.

    \b
    Example:
      stacker plan beetle.yaml --set focus.overlap=0.4
    """
    from stacker.documents.loading import load_request
    from stacker.documents.plan_file import write_plan
    from stacker.planning.planner import plan_of

    loaded = load_request(request, overrides)
    target = output or plan_path(request)
    if target.resolve() == request.resolve():
        raise Refusal(f"{target} is the request itself; choose another name with -o", code="exists")
    keep_other_files(target, "stacker_plan:", "plan")
    try:
        plan = write_plan(plan_of(loaded.value, loaded.assumed), target)
    except Refusal as refusal:
        raise loaded.located(refusal) from None
    if as_json:
        from stacker.documents.fields import plain

        header = {name: value for name, value in plain(plan).items() if name != "request"}
        write_json(result_document("plan", {"path": str(target), **header}))
        return
    if not quiet:
        from stacker.planning.sensitivity import effects_of_assumptions
        from stacker.presenting.bench_card import bench_card
        from stacker.presenting.tables import effects_table

        effects = effects_of_assumptions(loaded.value, loaded.assumed)
        click.echo("\n".join([*bench_card(plan), *effects_table(effects)]))
    note(f"Plan written to {target}\nNext: stacker drive {as_typed(target)}", quiet=quiet)


def plan_path(request: Path) -> Path:
    """Where the plan of a request goes: beside it."""
    return request.with_name(f"{request.name.removesuffix('.yaml').removesuffix('.yml')}.plan.yaml")
