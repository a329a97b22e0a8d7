"""What the commands of ``stacker rail`` share: the profile, and how a rail and a result are told."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.output import note, result_document, write_json
from stacker.errors import Refusal

if TYPE_CHECKING:
    from stacker.documents.rail_profile import RailProfile
    from stacker.driving.interrupts import Interrupts
    from stacker.rail.controller import Identity, Where
    from stacker.rail.rail import Rail


def profile_of(path: Path) -> RailProfile:
    """The rail profile in that file; a hand rail is refused."""
    from stacker.documents.loading import load_rail
    from stacker.documents.rail_profile import RailProfile

    profile = load_rail(path).value
    if not isinstance(profile, RailProfile):
        raise Refusal(f"{path}: a hand rail has no controller. Turn its dial.", code="no_motor_rail")
    return profile


@contextmanager
def connected(
    profile: RailProfile, url: str | None, rail_at_mm: float | None = None
) -> Iterator[tuple[Rail, Identity, Interrupts]]:
    """A rail that obeys this program, and the signals that stop it."""
    from stacker.driving.bench import connect, name_place
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.job import link_of, rail_settings

    settings = rail_settings(profile)
    with Interrupts() as interrupts:
        rail, identity = connect(link_of(profile, url), settings, interrupts.stop_order)
        try:
            if rail_at_mm is not None:
                name_place(rail, settings.microsteps(rail_at_mm))
            yield rail, identity, interrupts
        finally:
            rail.controller.close()


def agree(text: str, interrupts: Interrupts, *, yes: bool, quiet: bool) -> None:
    """Say what is about to move, and ask.

    Raises
    ------
    Refusal
        When the person says no.
    """
    from stacker.documents.words import HANDS

    text = "\n".join(fill(line, 80) for line in (text, HANDS))
    if yes:
        note(text, quiet=quiet)
        return
    with interrupts.suspended():
        if not click.confirm(f"{text}\nGo", err=True):
            raise Refusal("not started: nothing moved.", code="declined")


def stands(where: Where, per_mm: float) -> str:
    """Where the rail is."""
    return f"stands at {where.position / per_mm:.3f} mm" if where.known else "does not know where it stands"


def show_result(name: str, result: dict[str, Any], text: str, *, as_json: bool, quiet: bool) -> None:
    """Print a result, as one JSON document or as text."""
    if as_json:
        write_json(result_document(name, result))
    elif not quiet:
        click.echo(text)
