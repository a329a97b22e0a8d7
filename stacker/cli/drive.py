"""``stacker drive``: a plan on a rail; without ``--go`` nothing moves and no port is opened."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.drive_asked import OF_A_RUN, Asked, between_of, frames_of, refuse_contradictions
from stacker.cli.measure_run import ITS_OWN, Usual, measure_and_show, measuring_options, refuse_mixed
from stacker.cli.numbers import FINITE, FROM_1, Finite
from stacker.cli.output import note, output_options
from stacker.errors import Refusal
from stacker.figures import spans

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stacker.documents.plan import Plan
    from stacker.driving.job import Job
    from stacker.driving.run_options import RunOptions

BESIDE_THE_PLAN = ""  # --resume without a path


@click.command(name="drive")
@click.argument("plan", type=click.Path(path_type=Path), required=False, metavar="PLAN")
@click.option("--go", is_flag=True, help="Move the rail and take the frames.")
@click.option("--yes", is_flag=True, help="Do not ask before the first move.")
@click.option("--all", "whole", is_flag=True, help="Dry run: show every frame.")
@click.option("--journal", type=click.Path(path_type=Path), help="Where the journal goes.")
@click.option(
    "--resume",
    is_flag=False,
    flag_value=BESIDE_THE_PLAN,
    metavar="[JOURNAL]",
    help="Take the frames that a run is missing; without a path, the newest unfinished run of this plan.",
)
@click.option(
    "--after",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="JOURNAL",
    help="Take the frames that PLAN has beyond the shallower plan of that run.",
)
@click.option(
    "--refocused", is_flag=True, help="With --resume or --after: the front is in focus again where the rail stands."
)
@click.option(
    "--ends", is_flag=True, help="Front, middle and back only, to check focus, light, framing and working distance."
)
@click.option("--frames", help="Only these frames: 41,42 or 7-12.")
@click.option("--between", multiple=True, metavar="FRAMES", help="Only one more between two of the plan's: 5,6.")
@click.option("--panel", type=FROM_1, help="This one alone, of a plan with panels.")
@click.option("--centred", is_flag=True, help="With panels: the middle of the subject is in the middle of the picture.")
@click.option("--closing-frame", is_flag=True, help="Frame 1 once more at the end, to reveal drift.")
@click.option("--warm-up-s", type=Finite(0, 3600), default=0.0, help="Wait before the first frame.")
@click.option("--front-at-mm", type=FINITE, help="Rail position with the front in focus.")
@click.option("--rail-at-mm", type=FINITE, help="Where the rail stands now, read off its scale.")
@click.option("--url", help="Port or address, instead of the one in the profile.")
@click.option(
    "--call",
    metavar="PROGRAM",
    help="Run PROGRAM with one sentence at the end, at a stop, and when you are needed.",
)
@click.option(
    "--watch",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Look into each picture as it comes to FOLDER: a dark or blurred frame is taken again.",
)
@measuring_options
@output_options
def command(
    plan: Path | None,
    *,
    measure: bool,
    resume: str | None,
    whole: bool,
    go: bool,
    as_json: bool,
    quiet: bool,
    **more: Any,
) -> None:
    """Run PLAN on its rail. Without --go: a dry run, nothing moves.

    With --measure PLAN is a rail profile, and the run measures that rail.

    On a hand rail, --go asks for frame after frame: you turn the dial, take the picture, and press Enter.

    Ctrl-C stops the rail gently, a second one at once; the motor stays energised. Neither is an emergency stop.

    \b
    Example:
      stacker drive beetle.plan.yaml
      stacker drive beetle.plan.yaml --go --front-at-mm 41.2
      stacker drive bench.rail.yaml --measure --travel-mm 5
    """
    from stacker.documents.outdated import refuse_wider_limits
    from stacker.documents.plan_file import read_plan
    from stacker.documents.rail_profile import HandRail

    refuse_mixed(measure=measure)
    if measure:
        usual = Usual(go, more["yes"], more["journal"], more["rail_at_mm"], more["url"], as_json, quiet)
        measure_and_show(plan, {name: more[name] for name in ITS_OWN}, usual)
        return
    if plan is None and resume:  # 'drive --resume PLAN': the plan was taken for the journal's path
        plan, resume = Path(resume), BESIDE_THE_PLAN
    if plan is None:
        raise click.UsageError("Missing argument 'PLAN'.")
    refuse_contradictions(click.get_current_context())
    if whole and go:
        raise click.UsageError("--all is for a dry run; leave out --go or --all.")
    asked = Asked(plan, resume, whole, go, as_json, quiet, **{name: more[name] for name in OF_A_RUN})
    read = read_plan(plan)
    if read.panels is None and (asked.panel is not None or asked.centred):
        raise click.UsageError("--panel and --centred are for a plan with panels; this one has none.")
    if isinstance(read.request.rail, HandRail):
        _by_hand(read, asked)
        return
    refuse_wider_limits(read, plan)
    (_one_stack if read.panels is None else _panels)(read, asked)


def _by_hand(read: Plan, asked: Asked) -> None:
    """On a hand rail."""
    from stacker.cli.by_hand import guide, refuse_for_a_motor
    from stacker.driving.by_hand import HandOptions

    refuse_for_a_motor(click.get_current_context())
    if read.panels is not None:
        raise Refusal(
            f"{asked.plan}: a hand rail goes through one stack at a time, and the plan has panels. Leave panels out of "
            "the request and plan one stack; for each panel set the subject by the map, and run it anew.",
            code="panels_by_hand",
            key="panels",
        )
    quiet = asked.quiet or asked.as_json
    unfinished = None if asked.resume is None else _journal_of(asked.plan, read.digest, asked.resume, quiet=quiet)
    options = HandOptions(
        frames=frames_of(len(read.frames), asked.frames, ends=asked.ends),
        closing_frame=asked.closing_frame,
        kind=asked.kind,
        journal=asked.journal,
        resume=unfinished,
        refocused=asked.refocused,
        yes=asked.yes,
    )
    guide(read, asked.plan, options, go=asked.go, as_json=asked.as_json, quiet=asked.quiet)


def _one_stack(read: Plan, asked: Asked) -> None:
    from stacker.cli.drive_talk import run_and_show, show_rehearsal
    from stacker.cli.watching import refuse_unwatchable
    from stacker.documents.journal import read_journal
    from stacker.documents.panels import of_whole
    from stacker.driving.between import with_frames_between
    from stacker.driving.job import job_of

    quiet, url, unfinished = asked.quiet or asked.as_json, asked.url, None
    if asked.resume is not None:
        unfinished = _journal_of(asked.plan, read.digest, asked.resume, quiet=quiet)
    earlier = unfinished or asked.after
    past = None if earlier is None else read_journal(earlier)
    if url is None and past is not None:
        url = past.url  # a run goes on where it was begun
    job = job_of(read, asked.plan, url=url, need_link=asked.go)
    if asked.between:
        job = between_of(job, asked.between)
    elif past is not None and past.between and of_whole(past.digest) == read.digest:
        job = with_frames_between(job, past.between)
    options = replace(asked.options(job, resume=unfinished), url=url)
    if asked.watch is not None:
        refuse_unwatchable(job, asked.watch)
    for text in _remarks(read, job, options):
        note(text, quiet=asked.quiet)
    if asked.go:
        run_and_show(read, job, options, as_json=asked.as_json, quiet=asked.quiet)
    else:
        show_rehearsal(job, options, whole=asked.whole, as_json=asked.as_json, quiet=asked.quiet)


def _panels(read: Plan, asked: Asked) -> None:
    from stacker.cli.panels import refuse_of_one, run_panels, set_for, show_panels
    from stacker.cli.watching import refuse_unwatchable
    from stacker.documents.outdated import remark_on_age
    from stacker.driving.job import job_of

    refuse_of_one(asked)
    job = job_of(read, asked.plan, url=asked.url, need_link=asked.go)
    panels = set_for(read, job, asked.resume, asked.panel)
    options = asked.options(panels.jobs[0], resume=None)
    if asked.watch is not None:
        if len(panels.jobs) > 1:
            raise click.UsageError(
                "--watch looks at one stack, and panels differ in light: add --panel or leave it out."
            )
        refuse_unwatchable(job, asked.watch)
    if asked.resume is None and (text := remark_on_age(read, asked.plan)):
        note(text, quiet=asked.quiet)
    if asked.go:
        run_panels(read, panels, options, as_json=asked.as_json, quiet=asked.quiet)
    else:
        show_panels(read, panels, options, whole=asked.whole, as_json=asked.as_json, quiet=asked.quiet)


def _remarks(plan: Plan, job: Job, options: RunOptions) -> Iterator[str]:
    """What speaks against a new run of this plan: its request says otherwise by now, or a run was left unfinished."""
    from stacker.documents.outdated import remark_on_age
    from stacker.driving.beside import unfinished

    if options.earlier is not None:
        return
    if text := remark_on_age(plan, job.path):
        yield text
    begun = list(unfinished(job.path, job.digest))
    if begun and options.kind == "all":
        yield f"{begun[-1]} belongs to an unfinished run of this plan; --resume takes its missing frames."


def _journal_of(plan: Path, digest: str, resume: str, *, quiet: bool) -> Path:
    """The journal to go on with; one that was not named is named before anything moves."""
    from stacker.documents.between import in_the_plan
    from stacker.driving.beside import of_this_plan

    if resume != BESIDE_THE_PLAN:
        return Path(resume)
    found = of_this_plan(plan, digest)
    open_ones = [path for path, past in found.items() if past.pending]
    if not found:
        raise Refusal(f"no journal of this plan beside {plan}. Name it: --resume JOURNAL", code="no_journal")
    if not open_ones:
        raise Refusal(
            f"nothing is left to take: every run of this plan beside {plan} took all its frames.", code="complete"
        )
    *others, path = open_ones
    past = found[path]
    kinds = {"ends": "its look at front, middle and back", "frames": "some frames", "between": "frames between"}
    what = f" ({kinds[past.kind]})" if past.kind in kinds else ""
    own, between = in_the_plan(past.pending, past.between)
    left = [spans(own)] if own else []
    left += [f"one between {frame} and {frame + 1}" for frame in between]
    note(f"Continues {path}{what}: still to take {', '.join(left)}.", quiet=quiet)
    for other in others:
        note(f"Also unfinished: {other}; to continue that one instead, name it after --resume.", quiet=quiet)
    return path
