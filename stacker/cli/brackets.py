"""How many pictures a frame has: as the journals of the runs say, unless somebody says otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from stacker.cli.numbers import Whole

if TYPE_CHECKING:
    from stacker.verifying.shots import Run

bracket_option = click.option(
    "--bracket",
    type=Whole(1, 15),
    help="Pictures that the camera takes of every frame; as the journal says otherwise.",
)


def pictures_a_frame(asked: int | None, runs: Iterable[Run]) -> int:
    """What was asked for, else what the runs say.

    Raises
    ------
    click.UsageError
        When the runs differ.
    """
    each = {run.past.pictures_a_frame for run in runs}
    if asked is None and len(each) > 1:
        raise click.UsageError("the runs took brackets of different lengths: take them one by one.")
    return asked or each.pop()
