"""No number that is none gets from the command line to a rail."""

from __future__ import annotations

import pytest
from click.core import Option

from stacker.cli.main import COMMANDS
from stacker.cli.main import stacker as program
from stacker.cli.numbers import Finite


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e999"])
@pytest.mark.parametrize(
    "arguments",
    [
        ("drive", "leaf_beetle.plan.yaml", "--front-at-mm"),
        ("drive", "leaf_beetle.plan.yaml", "--go", "--yes", "--warm-up-s"),
        ("rail", "move", "rails/bench.rail.yaml", "--go", "--by-mm"),
        ("apertures", "leaf_beetle.yaml", "--detail-um"),
    ],
    ids=lambda arguments: arguments[-1],
)
def test_what_is_no_finite_number_is_refused(stacker, plans, monkeypatch, arguments, word):
    monkeypatch.chdir(plans)
    shown = stacker(*arguments, word)
    assert shown.code == 2
    assert "is not a finite number" in shown.err or "not in the range" in shown.err
    assert arguments[-1] in shown.err


def test_every_option_that_takes_a_float_takes_finite_ones_alone():
    def options(command):
        yield from (param for param in command.params if isinstance(param, Option))
        for one in getattr(command, "commands", {}).values():
            yield from options(one)

    context = program.make_context("stacker", ["plan"])
    floats = [
        option
        for name in COMMANDS
        for option in options(program.get_command(context, name))
        if option.type.name.startswith("float")
    ]
    assert len(floats) > 10
    assert all(isinstance(option.type, Finite) for option in floats)
