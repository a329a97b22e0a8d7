"""The run that measures the rail itself, for a camera that looks across it: from question to last word."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime, timezone
from pathlib import Path
from textwrap import wrap

from stacker.documents.measuring_run import COLUMNS, KIND, MeasureStop, rows_of
from stacker.documents.rail_profile import RailProfile
from stacker.documents.words import HANDS
from stacker.driving import journal as journals
from stacker.driving import preflight
from stacker.driving.bench import connect, make_ready, name_place
from stacker.driving.beside import journal_path
from stacker.driving.drive import first_line
from stacker.driving.job import Job, digest_of, link_of, rail_settings
from stacker.driving.journal import Journal
from stacker.driving.measure_stops import measure_stops, reversal
from stacker.driving.person import Person, Progress
from stacker.driving.run import Outcome, Run, Start
from stacker.driving.run_options import RunOptions
from stacker.driving.shutters import FirstLook, shutter_for
from stacker.driving.stopped import left_in_order
from stacker.errors import Refusal
from stacker.figures import clock
from stacker.motion.frame_clock import RELEASE_S, Pace
from stacker.rail.controller import Where

COUNTED = "position counted, not measured"


@dataclass(frozen=True, kw_only=True, slots=True)
class Measuring:
    """What a measuring run is asked for.

    Parameters
    ----------
    travel_mm : float
        How far it may go from where the rail stands, with its sign: positive toward larger positions [mm].
    settle_s : float
        How long it waits where the rail must be at rest [s].
    exposure_s : float
        How long the shutter is open [s].
    recycle_s : float
        From one exposure to the next move, for flash and camera [s].
    """

    travel_mm: float
    settle_s: float
    exposure_s: float
    recycle_s: float


def measuring_job(
    profile: RailProfile, path: Path, asked: Measuring, *, url: str | None, need_link: bool
) -> tuple[Job, tuple[MeasureStop, ...]]:
    """The run in the rail's words; nothing is opened.

    Raises
    ------
    Refusal
        When the travel is too short or longer than the soft limits, or a hand is on the release.
    """
    if profile.shutter.via == "manual":
        raise Refusal(
            "a measuring run takes its pictures at exact delays, which no finger on the release keeps: wire the "
            "shutter (shutter: in the profile), or measure with an indicator: stacker calibrate rail PROFILE READINGS",
            code="by_hand",
            key="rail.shutter.via",
        )
    settings = rail_settings(profile)
    travel = settings.microsteps(asked.travel_mm)
    if abs(travel) > settings.soft_high - settings.soft_low:
        per_mm = settings.microsteps_per_mm
        raise Refusal(
            f"--travel-mm: found {asked.travel_mm:g}; the soft limits leave "
            f"{(settings.soft_high - settings.soft_low) / per_mm:.3f} mm",
            code="limits",
            key="rail.soft_limits_mm",
        )
    stops = measure_stops(profile, travel=travel, settle_s=asked.settle_s)
    count, digest = len(stops), digest_of(profile)
    job = Job(
        name=profile.name,
        digest=digest,
        profile_digest=digest,
        path=path,
        positions=tuple(stop.position for stop in stops),
        focus_um=tuple(stop.position * profile.microstep_um for stop in stops),
        dof_um=(0.0,) * count,
        exposure_s=(asked.exposure_s,) * count,
        start_s=None,
        duration_s=duration_s(profile, stops, asked),
        rows=rows_of(stops, microstep_um=profile.microstep_um, exposure_s=asked.exposure_s),
        columns=COLUMNS,
        direction=1,
        front_at=None,
        refocus_error_um=None,
        clearance_um=None,
        rail=replace(settings, take_up=reversal(profile)),
        rail_name=profile.name,
        link=link_of(profile, url if url or profile.link or need_link else "no port yet"),
        shutter=profile.shutter,
        pace=Pace(
            settle_s=asked.settle_s,
            recycle_s=asked.recycle_s,
            contact_s=profile.shutter.pulse_s,
            bulb=profile.shutter.bulb,
            focus_s=profile.shutter.focus_s,
        ),
        hold_after=profile.hold_after,
    )
    return job, stops


def duration_s(profile: RailProfile, stops: Sequence[MeasureStop], asked: Measuring) -> float:
    """About how long the run takes, without what the line to the controller adds [s]."""
    move_s, back = profile.mover(), reversal(profile)
    here, pushed, total_s = 0, 0, 0.0
    for stop in stops:
        way = [stop.position]
        if stop.before is not None:
            way.insert(0, stop.before)
        elif (stop.position - here) * stop.approached < 0 or pushed != stop.approached:
            way.insert(0, stop.position - stop.approached * back)
        for place in way:
            total_s += move_s(abs(place - here))
            here = place
        pushed = stop.approached
        total_s += stop.wait_s + max(asked.exposure_s, asked.recycle_s)
    return total_s


def measure(job: Job, stops: Sequence[MeasureStop], asked: Measuring, options: RunOptions, person: Person) -> Outcome:
    """Make the run.

    Parameters
    ----------
    job, stops : Job, sequence of MeasureStop
        As `measuring_job` gives them.
    asked : Measuring
        What is asked for.
    options : RunOptions
        ``journal``, ``rail_at``, ``url`` and ``yes`` of it.
    person : Person
        Who is asked, shown and reported to.

    Raises
    ------
    Refusal, LinkError
        Before anything moved.
    RunStopped
        Later. Such a run is not resumed: drift between its parts would be taken for the rail's errors.
    """
    preflight.check_travel(job)
    with ExitStack() as to_close:
        rail, identity = connect(job.link, job.rail, person.stop_order)
        to_close.callback(rail.controller.close)
        shutter = shutter_for(rail, job, person.confirm_taken)
        to_close.callback(shutter.close)
        if preflight.exposure_unseen(job) and not options.yes:
            shutter = FirstLook(shutter, person.confirm_taken)
        if options.rail_at is not None:
            name_place(rail, options.rail_at)
        where = make_ready(rail)
        start = Start(front_at=where.position, frames=tuple(range(1, len(stops) + 1)), kind=KIND)
        run = Run(
            job=job,
            options=replace(options, kind=KIND),
            person=person,
            rail=rail,
            identity=identity,
            shutter=shutter,
            start=start,
        )
        _agree(run, where, asked.travel_mm)
        path = options.journal or journal_path(job.path, datetime.now(timezone.utc))
        journal = journals.create(path, rail.clock.now, first_line(run))
        to_close.callback(journal.close)
        return _carry_out(run, journal, stops, asked)


def bounds(job: Job, here: int, travel_mm: float) -> tuple[int, int]:
    """Between where the rail stands and how far it may go, the soft limits kept [microsteps, the rail's coordinates].

    Raises
    ------
    Refusal
        When that is beyond a soft limit.
    """
    s = job.rail
    low, high = sorted((here, here + s.microsteps(travel_mm)))
    if low < s.soft_low or high > s.soft_high:
        raise Refusal(
            f"the run would go from {job.mm(here):.3f} to {job.mm(here + s.microsteps(travel_mm)):.3f} mm, the soft "
            f"limits are {job.mm(s.soft_low):.3f} to {job.mm(s.soft_high):.3f} mm. Move the rail first (stacker rail "
            "move), or turn the sign of --travel-mm.",
            code="limits",
            key="rail.soft_limits_mm",
        )
    return low, high


def _agree(run: Run, where: Where, travel_mm: float) -> None:
    """Check, say what will happen, ask, and set the limits of this run."""
    job = run.job
    if not where.known:
        raise Refusal(
            "the rail's position is not known (the controller was switched on or stopped at once). Read its scale and "
            "pass --rail-at-mm, or seek a switch: stacker rail find.",
            code="position_unknown",
        )
    low, high = bounds(job, where.position, travel_mm)
    text = "\n".join(
        [
            f"The rail stands at {job.mm(where.position):.3f} mm.",
            f"It goes to and fro between {job.mm(low):.3f} and {job.mm(high):.3f} mm: {job.count} pictures,",
            f"about {clock(job.duration_s or 0.0)}.",
            *preflight.remarks(job, job.count),
            *wrap(HANDS, 79),
        ]
    )
    if run.options.yes:
        run.person.notify(text)
    elif not run.person.confirm(f"{text}\nNothing in the way, camera ready? Go"):
        raise Refusal("not started: nothing moved.", code="declined")
    run.rail.narrow(low, high)


def _carry_out(run: Run, journal: Journal, stops: Sequence[MeasureStop], asked: Measuring) -> Outcome:
    rail = run.rail
    began_s = rail.clock.now()
    with left_in_order(run, journal):
        _take(run, journal, stops, asked)
        position = rail.here()
        if not run.job.hold_after:
            rail.controller.hold(on=False)
        journal.write("end", position_microsteps=position, steps=COUNTED)
    return Outcome(
        journal=journal.path,
        past=journal.past(),
        frames=run.start.frames,
        duration_s=rail.clock.now() - began_s,
        position=position,
        steps=COUNTED,
    )


def _take(run: Run, journal: Journal, stops: Sequence[MeasureStop], asked: Measuring) -> None:
    """Stop by stop. What takes time on line and disk is done before the move, so that delays after it can be short."""
    rail, shutter, origin = run.rail, run.shutter, run.start.front_at
    began_s = ready_s = rail.clock.now()
    shutter.set_up()
    shot = shutter.next_shot(1)
    for number, stop in enumerate(stops, start=1):
        position = origin + stop.position
        shutter.prepare(asked.exposure_s)
        journal.write("intent", frame=number, shot=shot, position_microsteps=position)
        rail.wait_until(ready_s)
        rail.raise_if_stopped()
        if stop.before is None:
            rail.approach(position, stop.approached)
        else:
            rail.move(origin + stop.before)
            rail.move(position)
        rail.wait_until(rail.arrived_s + stop.wait_s - shutter.lead_s())
        rail.raise_if_stopped()
        contact_s = shutter.fire(shot, position)
        journal.write("exposed", frame=number, shot=shot, delay_s=round(contact_s - rail.arrived_s, 4))
        evidence = shutter.outcome(shot, contact_s, asked.exposure_s)
        journal.write("confirmed", frame=number, shot=shot, evidence=evidence)
        contact_open_s = contact_s + run.job.pace.closed_s(asked.exposure_s) + RELEASE_S
        ready_s = max(contact_s + asked.recycle_s, contact_open_s)
        shot += 1
        elapsed_s = rail.clock.now() - began_s
        run.person.report(
            Progress(
                name=f"frame {number}",
                done=number,
                total=len(stops),
                elapsed_s=elapsed_s,
                left_s=max(0.0, elapsed_s / number * (len(stops) - number)),
                evidence=evidence,
            )
        )
