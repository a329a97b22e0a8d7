"""Numbers on the command line: finite ones only, so that no ``nan`` gets as far as a rail."""

from __future__ import annotations

import math
from typing import Any

import click


class Finite(click.FloatRange):
    """A float within a range, if one is given; ``nan`` and ``inf`` are refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse what is no finite number."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return number

    def _describe_range(self) -> str:
        """For the help; click would write x<=None where there is no range."""
        return "" if self.min is None and self.max is None else super()._describe_range()


FINITE = Finite()
ABOVE_0 = Finite(min=0, min_open=True)
FROM_0 = Finite(min=0)
