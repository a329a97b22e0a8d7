"""``stacker calibrate``: what a rig and a rail really do, by measurement."""

from __future__ import annotations

import click

from stacker.cli.calibrate_lens import lens
from stacker.cli.calibrate_rail import rail
from stacker.cli.calibrate_scale import scale


@click.group(name="calibrate")
def command() -> None:
    """Measure what a rig and a rail really do.

    \b
    Example:
      stacker calibrate scale beetle.yaml --ruler ruler.jpg --line-mm 1
      stacker calibrate lens beetle.yaml CARD/ --journal target-1.run.jsonl
      stacker calibrate rail bench.rail.yaml readings.csv
    """


command.add_command(scale)
command.add_command(rail)
command.add_command(lens)
