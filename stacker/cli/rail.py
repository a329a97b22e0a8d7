"""``stacker rail``: bring-up of a rail, and one that is simulated."""

from __future__ import annotations

import sys
from pathlib import Path
from textwrap import fill
from typing import Any

import click

from stacker.cli import rail_moves
from stacker.cli.numbers import Whole
from stacker.cli.output import note, output_options
from stacker.cli.rail_common import agree, connected, profile_of, show_result, stands
from stacker.figures import as_typed, at_port


@click.group(name="rail")
def command() -> None:
    """Find, identify, move and simulate a rail.

    \b
    Example:
      stacker rail ports
      stacker rail move bench.rail.yaml --to-mm 40 --go
    """


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
    show_result("rail ports", {"ports": found}, text, as_json=as_json, quiet=quiet)
    note("Next: stacker rail identify PROFILE --url PORT", quiet=quiet or as_json)


# What a controller reports of itself (protocol page, section 6, `state`), and how it is told.
INPUT_WORDS = {
    "low_switch": {"free": "low switch free", "hit": "low switch HIT", "none": "no low switch"},
    "high_switch": {"free": "high switch free", "hit": "high switch HIT", "none": "no high switch"},
    "supply": {"on": "motor supply on", "gone": "motor supply GONE", "none": "motor supply not sensed"},
    "motor": {"held": "motor energised", "off": "motor released"},
    "latch": {"clear": "no stop latched", "stopped": "a stop latched until the next move is ordered"},
}


def _inputs(state: list[str]) -> dict[str, str] | None:
    """Switches, supply, motor and latch in the controller's words; None where it has none for them."""
    if not state:
        return None
    low, high, supply, motor, _, latch = state  # limits are those of whoever has the rail
    return dict(zip(INPUT_WORDS, (low, high, supply, motor, latch), strict=True))


@command.command(name="identify")
@click.argument("profile", type=click.Path(path_type=Path))
@click.option("--url", help="Port or address, instead of the one in the profile.")
@click.option("--go", is_flag=True, help="For dialect gcode: move 1 mm away and back, to learn what its answers mean.")
@click.option("--write", is_flag=True, help="With --go: write what was found into PROFILE.")
@click.option("--yes", is_flag=True, help="With --go: do not ask before it moves.")
@output_options
def identify(profile: Path, *, url: str | None, go: bool, write: bool, yes: bool, as_json: bool, quiet: bool) -> None:
    """Ask the controller of the rail in PROFILE who it is, where it stands and what its inputs say.

    Without --go nothing moves, and a program that is using the rail keeps it.

    \b
    Example:
      stacker rail identify bench.rail.yaml
    """
    from stacker.cli import rail_words
    from stacker.documents.rail_link import Link
    from stacker.driving.bench import look
    from stacker.driving.job import link_of, rail_settings

    read = profile_of(profile)
    settings = rail_settings(read)
    per_mm = settings.microsteps_per_mm
    link = link_of(read, url)
    if (go and isinstance(link, Link)) or (write and not go):
        raise click.UsageError("--go is for a controller of dialect gcode, --write for what it finds.")
    answers, found = dict[str, Any](), ""
    if isinstance(link, Link):
        who, where, state = look(link, settings)
    else:
        with connected(read, url) as (rail, who, interrupts):
            where, state = rail.controller.where(), []
            if go:
                text = "The rail goes 1 mm back, away from the subject, and then returns."
                agree(text, interrupts, yes=yes, quiet=quiet or as_json)
            answers, found = rail_words.try_answers(rail, profile, go=go, write=write)
    inputs = _inputs(state)
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
    now = stands(where, per_mm) if where.resting else "is moving: another program is using it"
    told = (
        f"protocol {who.version}, boot {who.boot}, {who.microsteps_per_turn} microsteps a turn as in the profile"
        if who.microsteps_per_turn is not None
        else "which acknowledges lines but does not report its steps"
    )
    text = f"{who.name}, {told};\nthe rail {now}."
    if inputs:
        told = ", ".join(INPUT_WORDS[name].get(word, f"{name} {word}") for name, word in inputs.items())
        text += "\n" + fill(f"{told}.", 80)
    text += f"\n{found}" if found else ""
    show_result("rail identify", result, text, as_json=as_json, quiet=quiet)
    if not isinstance(link, Link):
        step = rail_words.next_step(profile, url, measured=link.measured_10_mm is not None, tried=go)
        note(f"Next: {step}", quiet=quiet or as_json)
        return
    if "hit" in (inputs or {}).values():
        note("Next: look at the switch that reads hit, at its plug and wire", quiet=quiet or as_json)
        return
    # a first move goes away from the subject
    seeks = not where.known and not (inputs and inputs["low_switch"] == "none")
    step = "stacker rail find {} --go" if seeks else "stacker rail move {} --by-mm -1 --go"
    note(f"Next: {step.format(as_typed(profile) + at_port(url))}", quiet=quiet or as_json)


command.add_command(rail_moves.move)
command.add_command(rail_moves.find)


class _WithOptions(click.Command):
    """A command whose help lists what a URL of the simulated rail may say."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options by their descriptions."""
        del ctx
        from stacker.rail.simulated.reference import described

        with formatter.section("Options of sim://, as in sim://bench?time_scale=20&stall_at=64000"):
            formatter.write_dl([(", ".join(names), meaning) for names, meaning in described()])


@command.command(name="simulate", cls=_WithOptions)
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
        show_result("rail simulate", {"url": address}, address, as_json=as_json, quiet=quiet)
        sys.stdout.flush()
        note(f"Next: stacker drive PLAN --go --url {address}; Ctrl-C ends the simulation", quiet=quiet or as_json)

    with Interrupts() as interrupts:
        serve(options, port=port, terminal=pty, announce=announce, go_on=lambda: interrupts.count == 0)
