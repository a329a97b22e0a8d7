"""``stacker jog``: move the rail by hand, and mark front and back."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.numbers import FINITE
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.documents.rail_profile import RailProfile
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.jog import Jog


@click.command(name="jog")
@click.argument("request", type=click.Path(path_type=Path))
@click.option("--write", is_flag=True, help="At the end write the marked values into REQUEST, and change nothing else.")
@click.option("--typed", is_flag=True, help="Type lines even where the terminal could read single keys.")
@click.option("--rail-at-mm", type=FINITE, help="Where the rail stands now, read off its scale.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@output_options
def command(
    request: Path, *, write: bool, typed: bool, rail_at_mm: float | None, url: str | None, as_json: bool, quiet: bool
) -> None:
    """Move the rail of REQUEST key by key, within its soft limits, and mark front and back by eye in live view.

    One key or typed line is one move; Ctrl-C stops it. Until something is marked
    the rail goes at 1 mm/s at most; from 2 mm before the first mark on, at 0.5.
    At the end the lines for the request are printed; --write changes just those.

    \b
    Example:
      stacker jog beetle.yaml --write
    """
    from stacker.cli.edited import block_lines, write_values
    from stacker.documents.loading import load_without_depth
    from stacker.documents.rail_profile import RailProfile
    from stacker.driving.bench import connect, name_place
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.job import link_of, rail_settings
    from stacker.driving.jog import Jog, converse

    asked, has_depth = load_without_depth(request)
    if not isinstance(asked.rail, RailProfile):
        raise Refusal(
            f"{request}: there is no motor rail to jog. Write rail: in the request.", code="no_motor_rail", key="rail"
        )
    settings = rail_settings(asked.rail)
    with Interrupts() as interrupts:
        rail, _ = connect(link_of(asked.rail, url), settings, interrupts.stop_order)
        try:
            if rail_at_mm is not None:
                name_place(rail, settings.microsteps(rail_at_mm))
            index = asked.subject.index
            jog = Jog(rail, direction=asked.direction, take_back_stop=interrupts.forget, index=index)
            note(_welcome(asked.rail, keys=_keys(typed=typed)), quiet=quiet)
            try:
                converse(jog, _reader(interrupts, keys=_keys(typed=typed)), lambda text: note(text, quiet=quiet))
            finally:  # what was marked is not lost with the port
                lines = _marked(jog, rear=asked.moves == "rear", index=index)
                if lines and not as_json and not quiet:
                    click.echo("\n".join([f"Lines for {request}:", *(f"  {line}" for line in block_lines(lines))]))
        finally:
            rail.controller.close()
    written = write and bool(lines) and jog.done
    if written:
        write_values(request, lines, load_without_depth)
    if as_json:
        write_json(result_document("jog", {"lines": lines, "written": written}))
    if lines:
        said = f"written into {request}" if written else "copy them into the request, or jog with --write"
        if written and "subject.depth_mm" not in lines:
            said += "; depth_mm is kept as it was" if has_depth else "; depth_mm is still missing: mark the back, too"
        if write and not written:
            said = f"not written, because jogging ended without 'done'; {said}"
        note(f"{said[0].upper()}{said[1:]}.\nNext: stacker plan {as_typed(request)}", quiet=quiet or as_json)
    else:
        note("Nothing was marked.\nNext: jog again and mark the front", quiet=quiet or as_json)


def _keys(*, typed: bool) -> bool:
    from stacker.cli.terminal import has_keys

    return has_keys() and not typed


def _welcome(profile: RailProfile, *, keys: bool) -> str:
    from stacker.documents.words import HANDS
    from stacker.driving.jog_keys import HELP, KEYS_HELP

    low_mm, high_mm = profile.soft_limits_mm
    head = f"{profile.name}, {low_mm:g} to {high_mm:g} mm. Positive is deeper into the subject.\n{fill(HANDS, 80)}"
    return f"{head}\n{KEYS_HELP if keys else HELP}"


def _marked(jog: Jog, *, rear: bool, index: float) -> dict[str, Any]:
    if rear and jog.back is not None:
        note("With moves: rear the rail's travel is not the subject's depth: measure depth_mm another way.")
    elif index != 1 and jog.travel_mm is not None:
        note(f"depth_mm is the true depth behind the face: travel {jog.travel_mm:.4f} mm x index {index:g}.")
    return jog.values(rear=rear)


def _reader(interrupts: Interrupts, *, keys: bool) -> Callable[[], str | None]:
    """The next line or key; None at the end of the input, or when interrupted while nothing moves."""
    from stacker.cli.terminal import drop_typed_ahead
    from stacker.driving.jog_keys import KEYS, KEYS_HELP, first_key

    def line() -> str | None:
        drop_typed_ahead()
        click.echo("> ", nl=False, err=True)
        return sys.stdin.readline() or None

    def key() -> str | None:
        while True:
            drop_typed_ahead()
            pressed = first_key(click.getchar())
            if pressed == ":":
                return line()
            if pressed in KEYS:
                return KEYS[pressed]
            note(KEYS_HELP)

    def read() -> str | None:
        if interrupts.ending:
            return None
        try:
            with interrupts.suspended():
                return key() if keys else line()
        except (KeyboardInterrupt, EOFError):
            return None

    return read
