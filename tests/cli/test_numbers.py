"""No number that is none gets from the command line to a rail; one written otherwise is answered as in a file."""

from __future__ import annotations

import pytest
from click.core import Option

from stacker.cli.main import COMMANDS
from stacker.cli.main import stacker as program
from stacker.cli.numbers import Finite, Whole


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
    assert f"Invalid value for '{arguments[-1]}': found '{word}'; write a number" in shown.err


@pytest.mark.parametrize(
    ("arguments", "word", "answer"),
    [
        (("drive", "leaf_beetle.plan.yaml", "--front-at-mm"), "30,5", "found '30,5'; write 30.5"),
        (("drive", "leaf_beetle.plan.yaml", "--front-at-mm"), "50mm", "found '50mm'; write 50, the number alone"),
        (("drive", "leaf_beetle.plan.yaml", "--front-at-mm"), "5cm", "found '5cm'; write 50"),
        (("drive", "leaf_beetle.plan.yaml", "--warm-up-s"), "2 min", "found '2 min'; write 120"),
        (("drive", "leaf_beetle.plan.yaml", "--warm-up-s"), "5000", "found 5000; write a number from 0 to 3600, in s"),
        (("rail", "move", "rails/bench.rail.yaml", "--by-mm"), "1e-1", "found '1e-1'; write 0.1"),
        (("rail", "move", "rails/bench.rail.yaml", "--by-mm"), "far", "found 'far'; write a number, in mm"),
        (("apertures", "leaf_beetle.yaml", "--minutes"), "1h", "found '1h'; write 60"),
        (("apertures", "leaf_beetle.yaml", "--frames"), "3.5", "found 3.5; write a whole number of at least 1"),
        (("apertures", "leaf_beetle.yaml", "--detail-um"), "0", "found 0; write a number above 0, in um"),
        (("tubes", "--f-number"), "f/4", "found 'f/4'; write 4"),
        (("rail", "simulate", "--port"), "70000", "found 70000; write a whole number from 0 to 65535"),
    ],
)
def test_an_option_answers_as_a_file_does(stacker, plans, monkeypatch, arguments, word, answer):
    monkeypatch.chdir(plans)
    shown = stacker(*arguments, word)
    assert (shown.code, shown.err.splitlines()[-1]) == (
        2,
        f"Error: Invalid value for '{arguments[-1]}': {answer}",
    )


def test_every_option_that_takes_a_number_reads_it_alike():
    def options(command):
        yield from (param for param in command.params if isinstance(param, Option))
        for one in getattr(command, "commands", {}).values():
            yield from options(one)

    context = program.make_context("stacker", ["plan"])
    numbers = [
        option
        for name in COMMANDS
        for option in options(program.get_command(context, name))
        if option.type.name.startswith(("float", "integer"))
    ]
    assert len(numbers) > 10
    assert all(isinstance(option.type, (Finite, Whole)) for option in numbers)
