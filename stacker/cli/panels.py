"""``stacker drive`` on a plan with panels: all of them, one, or what a set left open."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

import click

from stacker.cli.output import note, result_document, write_json
from stacker.errors import RunStopped, StackerError
from stacker.figures import as_typed, clock

if TYPE_CHECKING:
    from pathlib import Path

    from stacker.cli.drive_asked import Asked
    from stacker.documents.plan import Plan
    from stacker.driving.job import Job
    from stacker.driving.panels import Set
    from stacker.driving.run import Outcome
    from stacker.driving.run_options import RunOptions

OF_ONE = {"frames": "--frames", "ends": "--ends", "journal": "--journal"}


def refuse_of_one(asked: Asked) -> None:
    """Options that mean something for one panel alone, and one that means nothing for any."""
    if asked.after:
        raise click.UsageError("--after would do nothing with panels: make a plan with other depths, and run it anew.")
    if asked.between:
        raise click.UsageError("--between is for one stack; this plan has panels. Plan it with smaller steps instead.")
    named = [option for name, option in OF_ONE.items() if getattr(asked, name)]
    if named and asked.panel is None:
        raise click.UsageError(f"{', '.join(named)} of which panel? Add --panel.")


def set_for(plan: Plan, job: Job, resume: str | None, panel: int | None) -> Set:
    """What is to be taken."""
    from stacker.driving.job import panel_job
    from stacker.driving.panels import set_of

    assert plan.panels is not None  # the caller looked
    return set_of(
        plan.request.panels,
        plan.panels,
        lambda one: panel_job(job, one),
        digest=plan.digest,
        resume=resume,
        only=panel,
    )


def show_panels(plan: Plan, panels: Set, options: RunOptions, *, whole: bool, as_json: bool, quiet: bool) -> None:
    """What a run would do: the map, what moves, and the dry run of its first panel, or of each."""
    from stacker.driving import dry_run
    from stacker.driving.axes import axis_plans
    from stacker.presenting.panel_map import map_lines, movers

    assert plan.panels is not None  # the caller looked
    front_at = panels.jobs[0].front_at if options.front_at is None else options.front_at
    rehearsed = [
        (job, dry_run.rehearse(job, front_at=front_at, frames=options.frames or tuple(range(1, job.count + 1))))
        for job in (panels.jobs if whole else panels.jobs[:1])
    ]
    axes = axis_plans(panels.asked, panels.planned)
    if as_json:
        document = {
            "dry_run": True,
            "panels": [
                {"panel": job.panel.panel, "across_mm": job.panel.across_mm, "down_mm": job.panel.down_mm}
                for job in panels.jobs
                if job.panel is not None
            ],
        }
        write_json(result_document("drive", document))
    elif not quiet:
        lines = wrap(f"{plan.name}: {len(panels.jobs)} of {len(plan.panels.panels)} panels, moved {movers(plan)}.", 79)
        lines += map_lines(plan.panels)
        lines.append("Before each the rail goes to position 0, then one axis after the other:")
        for job in panels.jobs:
            assert job.panel is not None  # of a plan with panels
            lines.append(f"  panel {job.panel.panel}: {job.count} frames")
            for axis in axes:
                lines += wrap(axis.words(job.panel), 79, initial_indent="    ", subsequent_indent="      ")
        click.echo("\n".join(lines))
        for job, one in rehearsed:
            click.echo(f"\n{dry_run.text(job, one, whole=whole)}")
        if not whole and len(panels.jobs) > 1:
            click.echo(f"\n... {len(panels.jobs) - 1} panels more: --all shows them")
    first = (
        [_again(options, panels, "--panel", str(_deepest(panels)), "--ends", "--go")] if _looks_first(panels) else []
    )
    note("Next: " + "\nthen: ".join([*first, _again(options, panels, "--go")]), quiet=quiet or as_json)


def _looks_first(panels: Set) -> bool:
    """Whether focus, light and framing are worth a look before: a set that nothing has been taken of."""
    return len(panels.jobs) > 1 and panels.earlier is None


def _deepest(panels: Set) -> int:
    """The panel with most frames, whose ends say most; of several the first."""
    job = max(panels.jobs, key=lambda job: job.count)
    assert job.panel is not None  # of a plan with panels
    return job.panel.panel


def _again(options: RunOptions, panels: Set, *words: str) -> str:
    from stacker.driving.follow_up import drive_command, panel_words
    from stacker.figures import spans

    job = panels.jobs[0]
    one = panel_words(job.panel) if len(panels.jobs) == 1 else ()
    more = ["--ends"] if options.kind == "ends" else ["--frames", spans(options.frames)] if options.frames else []
    more += ["--resume"] if panels.earlier is not None else []
    more += ["--refocused"] if options.refocused else []
    more += ["--centred"] if options.centred else []
    return drive_command(
        job.path,
        *one,
        *more,
        *words,
        url=options.url,
        warm_up_s=options.warm_up_s,
        call=options.call,
        watch=options.watch,
    )


def run_panels(plan: Plan, panels: Set, options: RunOptions, *, as_json: bool, quiet: bool) -> None:
    """Run, with a person who can stop it and who moves what no rail does, and say how it ended."""
    from stacker.cli.calling import caller_of
    from stacker.cli.drive_talk import person_for
    from stacker.cli.watching import watching
    from stacker.driving.interrupts import Interrupts
    from stacker.driving.panels import drive_panels

    call = caller_of(options.call)
    with watching(options.watch, plan, panels.jobs[0]) as watcher, Interrupts() as interrupts:
        who = person_for(interrupts, call, quiet=quiet or as_json)
        try:
            outcomes = drive_panels(panels, options, who, watcher=watcher)
        except StackerError as error:
            if isinstance(error, RunStopped):
                call(f"{plan.name}: {str(error).partition(chr(10))[0]}")
            raise
        finally:
            if watcher is not None and watcher.began:
                note("\n".join(wrap(watcher.last_words(), 79)), quiet=quiet or as_json)
    spent_s = sum(outcome.duration_s for outcome in outcomes)
    taken = sum(len(outcome.frames) for outcome in outcomes)
    said = f"{len(outcomes)} {'panel' if len(outcomes) == 1 else 'panels'}, {taken} frames in {clock(spent_s)}"
    call(f"{plan.name}: the run has ended; {said}")
    _show(plan, outcomes, said, as_json=as_json, quiet=quiet)
    note(f"Next: {_then(plan, panels.jobs[0].path, outcomes[-1])}", quiet=quiet or as_json)


def _show(plan: Plan, outcomes: list[Outcome], said: str, *, as_json: bool, quiet: bool) -> None:
    if as_json:
        result = [
            {
                "panel": outcome.past.panel,
                "journal": str(outcome.journal),
                "frames": outcome.frames,
                "doubled": outcome.past.doubled,
                "duration_s": outcome.duration_s,
                "steps": outcome.steps,
            }
            for outcome in outcomes
        ]
        write_json(result_document("drive", {"dry_run": False, "panels": result}))
    elif not quiet:
        click.echo(f"{plan.name}: {said}, moves from panel to panel not counted; {outcomes[-1].steps}.")
        click.echo("The rail is back at position 0; what rails move is back in the middle of the whole.")


def _then(plan: Plan, path: Path, last: Outcome) -> str:
    """What comes after: all panels after a look at the ends of one; else its pictures, of all by one journal."""
    from stacker.driving.follow_up import whole_run_command

    if last.past.kind == "ends":
        return whole_run_command(path, last.past)
    command = "survey" if plan.request.purpose == "survey" else "verify"
    return f"stacker {command} FOLDER --journal {as_typed(last.journal)}"
