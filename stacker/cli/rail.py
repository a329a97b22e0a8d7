"""``stacker rail``: bring-up of a rail, and one that is simulated."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.numbers import FINITE, Whole
from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.documents.rail_profile import RailProfile
    from stacker.rail.controller import Identity
    from stacker.rail.rail import Rail


@click.group(name="rail")
def command() -> None:
    """Find, identify, move and simulate a rail.

    \b
    Example:
      stacker rail ports
      stacker rail move bench.rail.yaml --to-mm 40 --go
    """


def _profile(path: Path) -> RailProfile:
    from stacker.documents.loading import load_rail
    from stacker.documents.rail_profile import RailProfile

    profile = load_rail(path).value
    if not isinstance(profile, RailProfile):
        raise Refusal(f"{path}: a hand rail has no controller. Turn its dial.", code="no_motor_rail")
    return profile


@contextmanager
def _connected(
    profile: RailProfile, url: str | None, rail_at_mm: float | None = None
) -> Iterator[tuple[Rail, Identity]]:
    from stacker.driving.bench import connect, name_place
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.job import link_settings, rail_settings

    settings = rail_settings(profile)
    with Interrupts() as interrupts:
        rail, identity = connect(link_settings(profile, url), settings, interrupts.wish)
        try:
            if rail_at_mm is not None:
                name_place(rail, settings.microsteps(rail_at_mm))
            yield rail, identity
        finally:
            rail.controller.close()


def _tell(name: str, result: dict[str, Any], text: str, *, as_json: bool, quiet: bool) -> None:
    if as_json:
        write_json(result_document(name, result))
    elif not quiet:
        click.echo(text)


@command.command(name="ports")
@output_options
def ports(*, as_json: bool, quiet: bool) -> None:
    """List the serial ports of this computer.

    \b
    Example:
      stacker rail ports
    """
    from stacker.rail import link

    found = [{"port": port, "description": description} for port, description in link.ports()]
    text = "\n".join(f"{port['port']}  {port['description']}" for port in found) or "no serial port found"
    _tell("rail ports", {"ports": found}, text, as_json=as_json, quiet=quiet)
    note("Next: stacker rail identify PROFILE --url PORT", quiet=quiet or as_json)


# What a controller reports of itself (protocol page, section 6, `state`), and how it is told.
INPUT_WORDS = {
    "low_switch": {"free": "low switch free", "hit": "low switch HIT", "none": "no low switch"},
    "high_switch": {"free": "high switch free", "hit": "high switch HIT", "none": "no high switch"},
    "supply": {"on": "motor supply on", "gone": "motor supply GONE", "none": "motor supply not sensed"},
    "motor": {"held": "motor energised", "off": "motor let go"},
    "latch": {"clear": "no stop latched", "stopped": "a stop latched until the next move is ordered"},
}


def _inputs(rail: Rail) -> dict[str, str] | None:
    """Switches, supply, motor and latch in the controller's words; None where it has none for them."""
    from stacker.rail.line import LineController

    if not isinstance(rail.controller, LineController):
        return None
    low, high, supply, motor, _, latch = rail.controller.state()  # limits are void for a host that has just come
    return dict(zip(INPUT_WORDS, (low, high, supply, motor, latch), strict=True))


@command.command(name="identify")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option("--url", help="Port or address, instead of the one in the profile.")
@click.option("--go", is_flag=True, help="Of dialect gcode: move 1 mm away and back, to learn what its answers mean.")
@click.option("--write", is_flag=True, help="With --go: write what was found into PROFILE.")
@output_options
def identify(profile: Path, *, url: str | None, go: bool, write: bool, as_json: bool, quiet: bool) -> None:
    """Ask the controller of the rail in PROFILE who it is, where it stands and what its inputs say.

    Without --go nothing moves.

    \b
    Example:
      stacker rail identify bench.rail.yaml
    """
    from stacker.cli import rail_words
    from stacker.driving.job import link_settings, rail_settings

    read = _profile(profile)
    per_mm = rail_settings(read).microsteps_per_mm
    words = link_settings(read, url).gcode
    if (go and words is None) or (write and not go):
        raise click.UsageError("--go is for a controller of dialect gcode, --write for what it finds.")
    with _connected(read, url) as (rail, who):
        where, inputs = rail.controller.where(), _inputs(rail)
        answers, found = ({}, "") if words is None else rail_words.try_answers(rail, profile, go=go, write=write)
    result = {
        "name": who.name,
        "protocol": who.version,
        "boot": who.boot,
        "microsteps_per_turn": who.microsteps_per_turn,
        "known": where.known,
        "position_microsteps": where.position,
        "position_mm": where.position / per_mm if where.known else None,
        "inputs": inputs,
        **({"answers": answers} if answers else {}),
    }
    stands = f"stands at {where.position / per_mm:.3f} mm" if where.known else "does not know where it stands"
    told = (
        f"protocol {who.version}, boot {who.boot}, {who.microsteps_per_turn} microsteps a turn as in the profile"
        if who.microsteps_per_turn is not None
        else "which acknowledges; compare its steps per millimetre with the profile yourself"
    )
    text = f"{who.name}, {told};\nthe rail {stands}."
    if inputs:
        told = ", ".join(INPUT_WORDS[name].get(word, f"{name} {word}") for name, word in inputs.items())
        text += "\n" + fill(f"{told}.", 80)
    text += f"\n{found}" if found else ""
    _tell("rail identify", result, text, as_json=as_json, quiet=quiet)
    if words is not None:
        step = rail_words.next_step(profile, measured=words.measured_10_mm is not None, tried=go)
        note(f"Next: {step}", quiet=quiet or as_json)
        return
    # a first move goes away from the subject
    seeks = not where.known and not (inputs and inputs["low_switch"] == "none")
    step = "stacker rail find {} --go" if seeks else "stacker rail move {} --by-mm -1 --go"
    note(f"Next: {step.format(as_typed(profile))}", quiet=quiet or as_json)


@command.command(name="move")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option("--to-mm", type=FINITE, help="Position to go to.")
@click.option("--by-mm", type=FINITE, help="Distance to go; positive is deeper into the subject.")
@click.option("--rail-at-mm", type=FINITE, help="Where the rail stands now, read off its scale.")
@click.option("--go", is_flag=True, help="Move.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@output_options
def move(
    profile: Path,
    *,
    to_mm: float | None,
    by_mm: float | None,
    rail_at_mm: float | None,
    go: bool,
    url: str | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Move the rail in PROFILE within its soft limits. Without --go nothing moves.

    \b
    Example:
      stacker rail move bench.rail.yaml --to-mm 40 --go
    """
    from stacker.cli import rail_words
    from stacker.driving.bring_up import go_by, go_to
    from stacker.driving.job import rail_settings
    from stacker.motion.step_grid import whole_down

    if (to_mm is None) == (by_mm is None):
        raise click.UsageError("give either --to-mm or --by-mm.")
    read = _profile(profile)
    settings = rail_settings(read)
    words = f"to {to_mm:g} mm" if to_mm is not None else f"by {by_mm:+g} mm"
    if not go:
        _tell("rail move", {"moved": False}, f"would move {words}; nothing moved.", as_json=as_json, quiet=quiet)
        note("Next: the same with --go", quiet=quiet or as_json)
        return
    with _connected(read, url, rail_at_mm) as (rail, _):
        if to_mm is not None:
            at = go_to(rail, settings.microsteps(to_mm))
        else:
            whole = whole_down(abs(by_mm or 0.0) * settings.microsteps_per_mm)  # never farther than was asked for
            at = go_by(rail, whole if (by_mm or 0.0) > 0 else -whole)
        known = rail.controller.where().known
    at_mm = at / settings.microsteps_per_mm
    result = {"moved": True, "known": known, "position_microsteps": at, "position_mm": at_mm if known else None}
    stands = f"stands at {at_mm:.3f} mm" if known else f"has moved {words}; its position is not known"
    _tell("rail move", result, f"the rail {stands}.", as_json=as_json, quiet=quiet)
    follow = (
        "stacker drive PLAN" if known else "name the place with --rail-at-mm, or seek the switch: stacker rail find"
    )
    if not (as_json or quiet):
        rail_words.ask_how_far(profile, read, by_mm)
    note(f"Next: measure the move; if it is right, {follow}", quiet=quiet or as_json)


@command.command(name="find")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option(
    "--end", type=click.Choice(["low", "high"]), default="low", help="Which switch; low: away from the subject."
)
@click.option("--go", is_flag=True, help="Move.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@output_options
def find(profile: Path, *, end: str, go: bool, url: str | None, as_json: bool, quiet: bool) -> None:
    """Seek a limit switch of the rail in PROFILE and take the position from it.

    The rail travels until the switch is hit: the way must be free. Where
    low_switch_at_mm says where the low switch clears, the position is known then.

    \b
    Example:
      stacker rail find bench.rail.yaml --go
    """
    from stacker.driving import bring_up
    from stacker.driving.job import rail_settings

    read = _profile(profile)
    per_mm = rail_settings(read).microsteps_per_mm
    if not go:
        text = f"would travel to the {end} switch; nothing moved."
        _tell("rail find", {"moved": False}, text, as_json=as_json, quiet=quiet)
        note("Next: the same with --go, the way being free", quiet=quiet or as_json)
        return
    switch_mm = read.low_switch_at_mm if end == "low" else None
    with _connected(read, url) as (rail, _):
        at, known = bring_up.find(rail, end, None if switch_mm is None else round(switch_mm * per_mm))
    result = {"moved": True, "known": known, "position_microsteps": at, "position_mm": at / per_mm if known else None}
    stands = (
        f"stands at {at / per_mm:.3f} mm" if known else "stands at the switch; low_switch_at_mm would name the place"
    )
    _tell("rail find", result, f"{end} switch found; the rail {stands}.", as_json=as_json, quiet=quiet)
    note(f"Next: stacker rail move {as_typed(profile)} --to-mm 40 --go", quiet=quiet or as_json)


@command.command(name="simulate")
@click.argument("url", default="sim://bench")
@click.option("--port", type=Whole(0, 65535), default=0, help="Loopback port; 0: any free one.")
@click.option("--pty", is_flag=True, help="A pseudo-terminal instead of a socket.")
@output_options
def simulate(url: str, *, port: int, pty: bool, as_json: bool, quiet: bool) -> None:
    """Serve a simulated rail to other programs until Ctrl-C. URL takes the options of sim://.

    \b
    Example:
      stacker rail simulate "sim://bench?state=rail.json" --port 7000
    """
    import math

    from stacker.driving.interrupts import Interrupts
    from stacker.rail.simulated.options import SimulatedOptions
    from stacker.rail.simulated.serve import serve

    try:
        options = SimulatedOptions.from_url(url)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if math.isinf(options.time_scale):
        raise click.UsageError("a served rail needs a finite time_scale.")

    def announce(address: str) -> None:
        _tell("rail simulate", {"url": address}, address, as_json=as_json, quiet=quiet)
        sys.stdout.flush()
        note(f"Next: stacker drive PLAN --go --url {address}; Ctrl-C ends the simulation", quiet=quiet or as_json)

    with Interrupts() as interrupts:
        serve(options, port=port, terminal=pty, announce=announce, go_on=lambda: interrupts.count == 0)
