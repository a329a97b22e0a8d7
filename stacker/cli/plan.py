"""``stacker plan``: from a request to a plan and a bench card."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stacker.cli.metered import note_exposure_that_stays
from stacker.cli.numbers import FINITE
from stacker.cli.output import keep_other_files, note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.documents.loading import Loaded
    from stacker.documents.plan import Plan
    from stacker.documents.request import Request


@click.command(name="plan")
@click.argument("request", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Where the plan goes; NAME.plan.yaml otherwise.")
@click.option(
    "--set",
    "overrides",
    multiple=True,
    metavar="KEY=VALUE",
    help="Try a value instead of the file's: prints the card only, unless -o says where a plan goes.",
)
@click.option(
    "--survey",
    is_flag=True,
    help="A coarse run, from which 'survey' tells where the subject lies: NAME.survey.plan.yaml.",
)
@click.option(
    "--target",
    is_flag=True,
    help="A short run through a flat target, from which 'calibrate lens' tells what the lens does: "
    "NAME.target.plan.yaml.",
)
@click.option("--from-mm", type=FINITE, help="With --survey: the rail position where it begins, nearest to the lens.")
@click.option("--to-mm", type=FINITE, help="With --survey: the rail position where it ends.")
@output_options
def command(
    request: Path,
    output: Path | None,
    overrides: tuple[str, ...],
    *,
    survey: bool,
    target: bool,
    from_mm: float | None,
    to_mm: float | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Plan the stack of a REQUEST: write NAME.plan.yaml beside it and print the bench card.

    \b
    Example:
      stacker plan beetle.yaml --set focus.overlap=0.4
      stacker plan beetle.yaml --survey --from-mm 38 --to-mm 44
      stacker plan beetle.yaml --target
    """
    from stacker.documents.files import plan_path
    from stacker.documents.plan_file import write_plan
    from stacker.planning.planner import plan_of

    if survey and target:
        raise click.UsageError("--survey and --target are two runs; plan one of them.")
    loaded = _loaded(request, overrides, from_mm, to_mm, survey=survey)
    note_exposure_that_stays(loaded.value, overrides, quiet=quiet)
    if survey or target:
        loaded = dataclasses.replace(loaded, value=_run_before(loaded.value, survey=survey), assumed={})
    path = output or plan_path(request, loaded.value.purpose)
    if path.resolve() == request.resolve():
        raise Refusal(f"{path} is the request itself; choose another name with -o", code="exists")
    keep_other_files(path, "stacker_plan:", "plan")
    writes = output is not None or not overrides  # a value that is only tried must not replace the plan
    try:
        plan = plan_of(loaded.value, loaded.assumed)
    except Refusal as refusal:
        raise loaded.located(refusal) from None
    if writes:
        plan = write_plan(plan, path)
    if as_json:
        from stacker.documents.fields import plain

        header = {name: value for name, value in plain(plan).items() if name != "request"}
        write_json(result_document("plan", {"path": str(path) if writes else None, **header}))
        return
    if not quiet:
        from stacker.planning.sensitivity import effects_of_assumptions, effects_of_margins
        from stacker.presenting.bench_card import bench_card
        from stacker.presenting.effects_table import effects_table

        effects = effects_of_assumptions(loaded.value, loaded.assumed)
        click.echo("\n".join([*bench_card(plan), *effects_table(effects, effects_of_margins(loaded.value))]))
    if writes:
        note(f"Plan written to {path}\n{_placed(plan)}Next: {next_step(plan, path)}", quiet=quiet)
    else:
        note(
            f"Only tried; nothing was written.\nNext: change {request}, or keep this one: -o ANOTHER.plan.yaml",
            quiet=quiet,
        )


def next_step(plan: Plan, path: Path) -> str:
    """The command by which the frames of a plan get taken; without a rail, the list of them."""
    if plan.request.rail is not None:
        return f"stacker drive {as_typed(path)}"
    return f"stacker export {as_typed(path)} --format csv"


def _placed(plan: Plan) -> str:
    """Where a flat target is to be, so that the run passes through it."""
    if plan.request.purpose != "target":
        return ""
    middle_mm = (plan.frames.focus_um[0] + plan.frames.focus_um[-1]) / 2000
    return (
        f"Focus on the target, then set the rail back by {middle_mm:.3f} mm: a run begins where\n"
        "the rail stands, and the target belongs in the middle of it.\n"
    )


def _run_before(request: Request, *, survey: bool) -> Request:
    """The request of the run that comes before the stack of one."""
    from stacker.planning.survey import survey_of
    from stacker.planning.target import target_of

    return survey_of(request) if survey else target_of(request)


def _loaded(
    path: Path, overrides: tuple[str, ...], from_mm: float | None, to_mm: float | None, *, survey: bool
) -> Loaded[Request]:
    """A request; of a survey between two rail positions with the depth that lies there."""
    from stacker.documents.loading import load_request

    if from_mm is None and to_mm is None:
        return load_request(path, overrides)
    if not survey or from_mm is None or to_mm is None:
        raise click.UsageError("--from-mm and --to-mm go together, and with --survey.")
    if to_mm <= from_mm:
        raise click.UsageError("--to-mm lies deeper in the subject than --from-mm: write a larger number.")

    def loaded(index: float) -> Loaded[Request]:
        depth_mm = (to_mm - from_mm) * index
        here = (f"subject.front_at_mm={from_mm:.12g}", f"subject.depth_mm={depth_mm:.12g}")
        return load_request(path, (*overrides, *here, "subject.zones=[]", "subject.gaps=[]"))

    request = loaded(1.0).value
    if request.moves == "rear":
        raise click.UsageError("With moves: rear the rail's travel is not the subject's depth: write subject.depth_mm.")
    return loaded(request.subject.index)  # behind a flat face the plane of focus goes farther than the rail
