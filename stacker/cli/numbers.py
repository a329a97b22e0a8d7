"""Numbers on the command line, read as in a file: what is no plain decimal number is answered with what to write."""

from __future__ import annotations

from typing import Any

import click

_UNITS = {"mm": "mm", "um": "um", "s": "s", "min": "min", "minutes": "min"}  # by the last word of an option's name


class Finite(click.FloatRange):
    """A finite decimal number within a range, if one is given."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read what was typed; a default is taken as it is."""
        return _read(self, value, param, ctx, whole=False) if isinstance(value, str) else value

    def _describe_range(self) -> str:
        """For the help; click would write x<=None where there is no range."""
        return "" if self.min is None and self.max is None else super()._describe_range()


class Whole(click.IntRange):
    """A whole number within a range."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read what was typed; a default is taken as it is."""
        return _read(self, value, param, ctx, whole=True) if isinstance(value, str) else value


def _read(
    kind: Finite | Whole, text: str, param: click.Parameter | None, ctx: click.Context | None, *, whole: bool
) -> float:
    from stacker.documents.source import Place, Scalar
    from stacker.documents.values import INVALID, Number, Reading

    unit = _UNITS.get((param.name or "").rpartition("_")[2]) if param else None
    least = None if kind.min_open else kind.min
    number = Number(unit=unit, whole=whole, above=kind.min if kind.min_open else None, least=least, most=kind.max)
    reading = Reading()
    value = number.read(Scalar(place=Place(path=""), text=text.strip()), "", reading)
    if value is INVALID:
        kind.fail(reading.faults[0].text, param, ctx)
    return value  # type: ignore[no-any-return]


FINITE = Finite()
ABOVE_0 = Finite(min=0, min_open=True)
FROM_0 = Finite(min=0)
FROM_1 = Whole(min=1)
