"""``stacker rail move`` and ``find``: single moves, each said and asked for before it is made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.numbers import FINITE
from stacker.cli.output import note, output_options
from stacker.cli.rail_common import agree, connected, profile_of, show_result, stands
from stacker.figures import as_typed, at_port

if TYPE_CHECKING:
    from stacker.documents.rail_profile import RailProfile
    from stacker.driving.bring_up import Errand


def _way(distance_mm: float) -> str:
    toward = "deeper, toward the subject" if distance_mm > 0 else "back, away from the subject"
    return f"{abs(distance_mm):.3f} mm {toward}"


@click.command(name="move")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option("--to-mm", type=FINITE, help="Position to go to.")
@click.option("--by-mm", type=FINITE, help="Distance to go; positive is deeper into the subject.")
@click.option("--rail-at-mm", type=FINITE, help="Where the rail stands now, read off its scale.")
@click.option("--go", is_flag=True, help="Move.")
@click.option("--yes", is_flag=True, help="Do not ask before it moves.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@output_options
def move(
    profile: Path,
    *,
    to_mm: float | None,
    by_mm: float | None,
    rail_at_mm: float | None,
    go: bool,
    yes: bool,
    url: str | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Move the rail in PROFILE within its soft limits. Without --go nothing moves; with it you are asked first.

    While the position is not known, or a limit switch reads hit, it moves slowly, and by 1 mm at most.

    \b
    Example:
      stacker rail move bench.rail.yaml --to-mm 40 --go
    """
    from stacker.cli import rail_words
    from stacker.driving import bring_up
    from stacker.driving.job import rail_settings
    from stacker.motion.step_grid import whole_down

    if (to_mm is None) == (by_mm is None):
        raise click.UsageError("give either --to-mm or --by-mm.")
    read = profile_of(profile)
    settings = rail_settings(read)
    words = f"to {to_mm:g} mm" if to_mm is not None else f"by {by_mm:+g} mm"
    if not go:
        show_result("rail move", {"moved": False}, f"would move {words}; nothing moved.", as_json=as_json, quiet=quiet)
        note("Next: the same with --go", quiet=quiet or as_json)
        return
    with connected(read, url, rail_at_mm) as (rail, _, interrupts):
        if to_mm is not None:
            errand = bring_up.to(rail, settings.microsteps(to_mm))
        else:
            whole = whole_down(abs(by_mm or 0.0) * settings.microsteps_per_mm)  # never farther than was asked for
            errand = bring_up.by(rail, whole if (by_mm or 0.0) > 0 else -whole)
        agree(_errand(errand, settings.microsteps_per_mm), interrupts, yes=yes, quiet=quiet or as_json)
        at = bring_up.go(rail, errand)
        known = rail.controller.where().known
    at_mm = at / settings.microsteps_per_mm
    result = {"moved": True, "known": known, "position_microsteps": at, "position_mm": at_mm if known else None}
    now = f"stands at {at_mm:.3f} mm" if known else f"has moved {words}; its position is not known"
    show_result("rail move", result, f"the rail {now}.", as_json=as_json, quiet=quiet)
    follow = (
        f"stacker drive PLAN{at_port(url)}"
        if known
        else "say where it is with --rail-at-mm, or seek the switch: stacker rail find"
    )
    asked = None if as_json or quiet else rail_words.ask_how_far(profile, read, by_mm)
    note(f"Next: {asked or f'measure the move; if it is right, {follow}'}", quiet=quiet or as_json)


def _errand(errand: Errand, per_mm: float) -> str:
    """From where to where."""
    goal = f" to {errand.target / per_mm:.3f} mm," if errand.start.known else ""
    way = _way((errand.target - errand.start.position) / per_mm)
    return f"The rail {stands(errand.start, per_mm)} and goes{goal} {way}{', slowly' if errand.slow else ''}."


@click.command(name="find")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option(
    "--end", type=click.Choice(["low", "high"]), default="low", help="Which switch; low: away from the subject."
)
@click.option("--go", is_flag=True, help="Move.")
@click.option("--yes", is_flag=True, help="Do not ask before it moves.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@output_options
def find(profile: Path, *, end: str, go: bool, yes: bool, url: str | None, as_json: bool, quiet: bool) -> None:
    """Seek a limit switch of the rail in PROFILE and take the position from it.

    The rail travels until the switch is hit: the way must be free. Where
    low_switch_at_mm says where the low switch clears, the position is known then.
    With --go you are asked first. A switch that reads hit where the rail does
    not stand for certain is not sought: its wire may be cut.

    \b
    Example:
      stacker rail find bench.rail.yaml --go
    """
    from stacker.driving import bring_up
    from stacker.driving.job import rail_settings
    from stacker.driving.steps import check_seek

    read = profile_of(profile)
    settings = rail_settings(read)
    per_mm = settings.microsteps_per_mm
    if not go:
        text = f"would travel to the {end} switch; nothing moved."
        show_result("rail find", {"moved": False}, text, as_json=as_json, quiet=quiet)
        note("Next: make sure the way is free, then the same with --go", quiet=quiet or as_json)
        return
    switch_mm = read.low_switch_at_mm if end == "low" else None
    switch_at = None if switch_mm is None else settings.microsteps(switch_mm)
    with connected(read, url) as (rail, _, interrupts):
        side = "away from the subject" if end == "low" else "TOWARD THE SUBJECT: lens and subject out of the way"
        text = (
            f"The rail {stands(rail.controller.where(), per_mm)} and goes to its {end} end, {side}, until the switch "
            f"is hit: {settings.travel / per_mm:g} mm at most."
        )
        check_seek(rail, end, switch_at)
        agree(text, interrupts, yes=yes, quiet=quiet or as_json)
        at, known = bring_up.find(rail, end, switch_at)
    result = {"moved": True, "known": known, "position_microsteps": at, "position_mm": at / per_mm if known else None}
    now = "stands at the switch; with low_switch_at_mm in the profile its position would be known"
    if known:
        now = f"stands at {at / per_mm:.3f} mm"
    show_result("rail find", result, f"{end} switch found; the rail {now}.", as_json=as_json, quiet=quiet)
    note(f"Next: {_after_find(profile, url, read, end, at / per_mm if known else None)}", quiet=quiet or as_json)


def _after_find(profile: Path, url: str | None, read: RailProfile, end: str, at_mm: float | None) -> str:
    """A short move, away from the subject where there is room for one."""
    move = f"stacker rail move {as_typed(profile)}{at_port(url)}"
    low_mm = read.soft_limits_mm[0]
    if end == "high":
        return f"{move} --by-mm -1 --go"
    if at_mm is None:
        return f"read the rail's scale, write low_switch_at_mm into {as_typed(profile)}, then find the switch again"
    if at_mm < low_mm:
        return f"{move} --to-mm {low_mm:g} --go, {low_mm - at_mm:.3f} mm to its nearest soft limit"
    return f"stacker rail identify {as_typed(profile)}{at_port(url)}"
