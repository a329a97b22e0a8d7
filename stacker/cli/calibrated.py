"""What a calibration found: told with its intervals, and written into a file where that was asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.output import result_document, write_json

if TYPE_CHECKING:
    from stacker.calibrating.estimate import Estimate


def show_calibration(
    name: str,
    found: Mapping[str, Estimate],
    words: Mapping[str, str],
    lines: Mapping[str, float],
    path: Path,
    *,
    load: Callable[..., Any] | None,
    as_json: bool,
    quiet: bool,
    facts: Mapping[str, Any] | None = None,
    sentences: Sequence[str] = (),
) -> None:
    """What was found with its interval, then the lines for the file; with its reader, written into it.

    Facts are what else a program may want to know, sentences say the same to a person.
    """
    from stacker.cli.edited import block_lines, write_values
    from stacker.presenting.tables import wrapped

    if load is not None:
        write_values(path, lines, load)
    if as_json:
        result: dict[str, Any] = {
            key: {"value": one.value, "standard_error": one.standard_error, "margin_95": one.margin}
            for key, one in found.items()
        }
        write_json(
            result_document(name, result | dict(facts or {}) | {"lines": dict(lines), "written": load is not None})
        )
        return
    if quiet:
        return
    for key, one in found.items():
        click.echo(f"{with_margin(one)}  {words[key]}")
    click.echo("(+/-: an interval that holds the truth in 95 of 100 calibrations)")
    for sentence in sentences:
        click.echo("\n".join(wrapped(sentence)))
    click.echo(f"\n{'Written into' if load else 'Lines for'} {path}:")
    for line in block_lines(lines):
        click.echo(f"  {line}")


def lines_of(found: Mapping[str, Estimate]) -> dict[str, float]:
    """Dotted keys with values to a tenth of their error, and after them their margins."""
    from stacker.calibrating.estimate import rounded, rounded_up
    from stacker.documents.margins import MARGIN_OF

    words = {key: word for word, key in MARGIN_OF.items()}
    values = {key: rounded(one.value, one.standard_error) for key, one in found.items()}
    margins = {f"margins.{words[key]}": rounded_up(one.margin) for key, one in found.items() if one.margin > 0}
    return values | margins


def with_margin(one: Estimate) -> str:
    """A value and its interval, both to two digits of the interval."""
    decimals = max(0, _decimals(one.margin))
    return f"{one.value:.{decimals}f} +/- {one.margin:.{decimals}f}"


def _decimals(margin: float) -> int:
    """So many that the margin shows two significant digits."""
    import math

    return 1 - math.floor(math.log10(margin)) if margin > 0 else 4
