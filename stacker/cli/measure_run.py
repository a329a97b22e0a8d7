"""``stacker drive PROFILE --measure``: the run that measures the rail itself, for a camera that looks across it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from stacker.cli.numbers import FINITE, Finite
from stacker.cli.output import note, result_document, write_json
from stacker.figures import as_typed, at_port, clock, typed_mm

if TYPE_CHECKING:
    from stacker.documents.measuring_run import MeasureStop
    from stacker.documents.rail_profile import RailProfile
    from stacker.driving.job import Job
    from stacker.driving.measure import Measuring

Function = TypeVar("Function", bound=Callable[..., Any])

ITS_OWN = ("travel_mm", "settle_s", "exposure_s", "recycle_s")
_SHARED = ("plan", "measure", "go", "yes", "journal", "rail_at_mm", "url", "as_json", "quiet")
_SETTLES, _LEAST_SETTLE_S = 2.0, 0.5  # of the profile's settle_s, which may be a guess
_EXPOSURE_S, _RECYCLE_S = 0.005, 1.5  # a flash


@dataclass(frozen=True, slots=True)
class Usual:
    """What it shares with the run of a plan, as given."""

    go: bool
    yes: bool
    journal: Path | None
    rail_at_mm: float | None
    url: str | None
    as_json: bool
    quiet: bool


def measuring_options(function: Function) -> Function:
    """Add the options of a measuring run."""
    options = (
        click.option("--measure", is_flag=True, help="Measure the rail of this profile, for a camera across it."),
        click.option(
            "--travel-mm", type=FINITE, help="With --measure: how far it may go from where it stands, + or -."
        ),
        click.option(
            "--settle-s", type=Finite(0.05, 60), help="With --measure: wait so long for rest; twice the profile's."
        ),
        click.option("--exposure-s", type=Finite(0, 60, min_open=True), help="With --measure: 0.005 unless given."),
        click.option("--recycle-s", type=Finite(0, 600), help="With --measure: flash and camera; 1.5 unless given."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def refuse_mixed(*, measure: bool) -> None:
    """Options that this kind of run would take and then drop."""
    context = click.get_current_context()
    given = [name for name in context.params if context.get_parameter_source(name) is ParameterSource.COMMANDLINE]
    idle = [name for name in given if (name not in _SHARED + ITS_OWN if measure else name in ITS_OWN)]
    if idle:
        names = ", ".join(f"--{ {'whole': 'all'}.get(name, name).replace('_', '-') }" for name in idle)
        why = "goes with a plan, not with --measure" if measure else "goes with --measure"
        raise click.UsageError(f"{names} {why}.")


def measure_and_show(profile_path: Path | None, own: dict[str, float | None], usual: Usual) -> None:
    """Rehearse or make the run, and say what comes of it."""
    from stacker.cli.rail_common import profile_of
    from stacker.driving.measure import Measuring, measuring_job

    if profile_path is None:
        raise click.UsageError("Missing argument 'PLAN': with --measure the profile of a rail.")
    travel_mm = own["travel_mm"]
    if travel_mm is None:
        raise click.UsageError(
            "--measure needs --travel-mm: how far the rail may go from where it stands, toward larger positions (+) or "
            "smaller ones (-)."
        )
    profile = profile_of(profile_path)
    settle_s = own["settle_s"]
    asked = Measuring(
        travel_mm=travel_mm,
        settle_s=max(_SETTLES * profile.settle_s, _LEAST_SETTLE_S) if settle_s is None else settle_s,
        exposure_s=_EXPOSURE_S if own["exposure_s"] is None else own["exposure_s"],
        recycle_s=_RECYCLE_S if own["recycle_s"] is None else own["recycle_s"],
    )
    job, stops = measuring_job(profile, profile_path, asked, url=usual.url, need_link=usual.go)
    if usual.go:
        _run(job, stops, asked, usual)
    else:
        _rehearse(profile, job, stops, asked, usual)


def _rehearse(profile: RailProfile, job: Job, stops: tuple[MeasureStop, ...], asked: Measuring, usual: Usual) -> None:
    counts = {part: sum(stop.part == part for stop in stops) for part in dict.fromkeys(stop.part for stop in stops)}
    if usual.as_json:
        result = {
            "dry_run": True,
            "travel_mm": asked.travel_mm,
            "duration_s": job.duration_s,
            "pictures": counts,
            "stops": [
                {
                    "position_mm": round(job.mm(stop.position), 6),
                    "part": stop.part,
                    "approached": "up" if stop.approached > 0 else "down",
                    "wait_s": round(stop.wait_s, 4),
                }
                for stop in stops
            ],
        }
        write_json(result_document("drive", result))
    elif not usual.quiet:
        click.echo(_told(profile, job, stops, counts, asked))
    run = [f"stacker drive {as_typed(job.path)} --measure --travel-mm {typed_mm(asked.travel_mm)}"]
    run += [f"--settle-s {asked.settle_s:g} --exposure-s {asked.exposure_s:g} --recycle-s {asked.recycle_s:g}"]
    run += [] if usual.rail_at_mm is None else [f"--rail-at-mm {typed_mm(usual.rail_at_mm)}"]
    run += [] if usual.journal is None else [f"--journal {as_typed(usual.journal)}"]
    note(f"Next: {' '.join(run)} --go{at_port(usual.url)}", quiet=usual.quiet or usual.as_json)


def _told(
    profile: RailProfile, job: Job, stops: tuple[MeasureStop, ...], counts: dict[str, int], asked: Measuring
) -> str:
    delays_s = [stop.wait_s for stop in stops if stop.part == "settling"]
    places = len({stop.position for stop in stops if stop.part == "screw"})
    turns = round(places * profile.microstep_um * _spacing(stops) / profile.screw_turn_um)
    way = "larger" if asked.travel_mm > 0 else "smaller"
    lines = [
        f"{job.name}: {job.count} pictures, about {clock(job.duration_s or 0.0)}. Nothing moved.",
        f"  {counts['repeats']:3} of one place, reached again and again, from near and from far",
        f"  {counts['screw']:3} of {places} places over {turns} turns of the screw, each from both sides",
    ]
    if "microsteps" in counts:
        lines.append(f"  {counts['microsteps']:3} of small steps through the cycles of the motor")
    lines.append(
        f"  {counts['settling']:3} at {min(delays_s):.2g} to {max(delays_s):.2g} s after one and the same move"
    )
    said = (
        f"The rail goes to and fro, up to {abs(asked.travel_mm):g} mm from where it stands toward {way} positions, and "
        "never beyond. Something flat and finely grained rides on its carriage; the camera stands beside it, looks "
        "square across, and touches neither rail nor table that shakes with it. Photograph a ruler in the target's "
        "place before or after, without moving the camera."
    )
    return "\n".join([*lines, "", fill(said, 80)])


def _spacing(stops: tuple[MeasureStop, ...]) -> float:
    """From one place of the screw's to the next [microsteps]."""
    places = sorted({stop.position for stop in stops if stop.part == "screw"})
    return (places[-1] - places[0]) / (len(places) - 1)


def _run(job: Job, stops: tuple[MeasureStop, ...], asked: Measuring, usual: Usual) -> None:
    from stacker.cli.drive_talk import person_for
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.last_word import motor, taken, whose_time
    from stacker.driving.measure import measure
    from stacker.driving.run_options import RunOptions
    from stacker.errors import StackerError

    quiet = usual.quiet or usual.as_json
    rail_at = None if usual.rail_at_mm is None else job.rail.microsteps(usual.rail_at_mm)
    options = RunOptions(yes=usual.yes, rail_at=rail_at, url=usual.url, journal=usual.journal)
    with Interrupts() as interrupts:
        try:
            outcome = measure(job, stops, asked, options, person_for(interrupts, lambda _: None, quiet=quiet))
        except StackerError:
            if sys.stderr.isatty() and not quiet:
                click.echo(err=True)  # leave the line of the progress
            raise
    if usual.as_json:
        result = {
            "dry_run": False,
            "journal": str(outcome.journal),
            "pictures": len(outcome.frames),
            "duration_s": outcome.duration_s,
            "position_mm": job.mm(outcome.position),
        }
        write_json(result_document("drive", result))
    elif not usual.quiet:
        click.echo(
            f"{job.name}: {taken(job, len(outcome.frames), clock(outcome.duration_s))}{whose_time(job)}.\n"
            f"The rail stands at {job.mm(outcome.position):.3f} mm, {motor(job)}."
        )
    follow = f"stacker calibrate rail {as_typed(job.path)} --across FOLDER --journal {as_typed(outcome.journal)}"
    note(f"Next: {follow} --ruler RULER --line-mm 1", quiet=quiet)
