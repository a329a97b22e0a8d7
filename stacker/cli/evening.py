"""``stacker evening``: several stacks as one evening."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click

from stacker.cli.numbers import Finite
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.figures import as_typed


class WallClock(click.DateTime):
    """A time of day, perhaps with its date."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Say what to write in a person's words."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"found '{value}'; write 19:30, or 2026-11-25T19:30", param, ctx)


@click.command(name="evening")
@click.argument("plans", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PLAN...")
@click.option(
    "--setup-min",
    type=Finite(min=0, max=24 * 60),
    default=15.0,
    show_default=True,
    help="Minutes between one stack and the next.",
)
@click.option(
    "--start",
    type=WallClock(("%H:%M", "%Y-%m-%dT%H:%M")),
    metavar="TIME",
    help="When the first stack begins: 19:30, or with its date; now where it is missing.",
)
@output_options
def command(plans: tuple[Path, ...], *, setup_min: float, start: datetime | None, as_json: bool, quiet: bool) -> None:
    """Add up the PLANs of an evening, in this order: hours, cards, batteries, space.

    \b
    Example:
      stacker evening beetle.plan.yaml moss.plan.yaml --setup-min 20 --start 19:30
    """
    from stacker.documents.plan_file import read_plan
    from stacker.planning.evening import evening_of
    from stacker.presenting.evening_table import evening_table

    evening = evening_of([read_plan(path) for path in plans], setup_s=setup_min * 60)
    now = datetime.now().astimezone()
    # an hour without a date is parsed as one of 1900: it means today
    starts = now if start is None else start.replace(tzinfo=now.tzinfo)
    if starts.year == 1900:
        starts = now.replace(hour=starts.hour, minute=starts.minute, second=0, microsecond=0)
    fields = dataclasses.asdict(evening)
    if as_json:
        known = not any(text.endswith(": time") for text in evening.unknown)
        times = {
            "setup_s": setup_min * 60,
            "starts": starts.isoformat(timespec="seconds"),
            "finishes": (starts + timedelta(seconds=evening.duration_s)).isoformat(timespec="seconds")
            if known
            else None,
        }
        write_json(result_document("evening", {**times, **fields}))
        return
    if not quiet:
        click.echo("\n".join(evening_table(evening, starts=starts, setup_s=setup_min * 60)))
    note(f"Next: stacker drive {as_typed(plans[0])}", quiet=quiet)
