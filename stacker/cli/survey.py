"""``stacker survey``: where a subject lies, from the pictures of a coarse run through it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.output import note, output_options, result_document, write_json
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from stacker.documents.journal import Past
    from stacker.documents.plan import Plan
    from stacker.looking.survey import Survey
    from stacker.verifying.verdict import Verdict

_FINEST_MM = 0.001  # depths are written in whole um, outward


@click.command(name="survey")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--journal",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    required=True,
    help="Journal of the survey's run (NAME.survey-DATE-TIMEZ.run.jsonl).",
)
@click.option("--picture", type=click.Path(path_type=Path), help="Draw the depths into this file (svg, png, pdf).")
@click.option(
    "--write",
    "request",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Write front, depth and gaps into this request.",
)
@output_options
def command(
    folder: Path, *, journal: Path, picture: Path | None, request: Path | None, as_json: bool, quiet: bool
) -> None:
    """Tell from the pictures in FOLDER where the subject of a survey begins, ends and has nothing.

    Plan the survey with 'stacker plan REQUEST --survey' and drive it like any plan. Exit code 1 where the subject goes
    on beyond the run, or nothing can be told.

    \b
    Example:
      stacker survey CARD/ --journal beetle.survey-20310504-220000Z.run.jsonl \\
        --write beetle.yaml
    """
    from stacker.cli.looking import focus_um, pictures_seen
    from stacker.looking.survey import surveyed
    from stacker.planning.out_of_focus import OutOfFocus
    from stacker.presenting.survey_text import survey_text

    stack = _stack_of(folder, journal)
    seen = pictures_seen(stack.verdict, folder, quiet=quiet or as_json)
    found, frames = surveyed(
        {frame: seen.by_name[name] for frame, name in seen.files[0].items()},
        focus_um(stack.past),
        OutOfFocus.of(stack.plan).curve,
        least_gap_um=_least_gap_um(stack.plan),
    )
    values = _values(found, stack)
    if as_json:
        write_json(result_document("survey", _document(found, values, frames, written=request is not None)))
    elif not quiet:
        click.echo("\n".join(survey_text(found, values, frames=frames, of=stack.verdict.frames)))
    if picture is not None:
        from stacker.presenting.survey_picture import survey_picture

        survey_picture(picture, found)
    whole = found.reason is None and not (found.before_first or found.beyond_last)
    if request is not None:
        _write(request, values, found, stack)
        note(f"Written into {request}.", quiet=quiet or as_json)
    if whole:
        target = as_typed(request) if request is not None else "REQUEST"
        note(f"Next: stacker plan {target}", quiet=quiet or as_json)
    else:
        click.get_current_context().exit(1)


@dataclass(frozen=True, kw_only=True)
class _Stack:
    """A survey that was driven: its verdict by names and times, its run, its plan."""

    verdict: Verdict
    past: Past
    plan: Plan


def _stack_of(folder: Path, journal: Path) -> _Stack:
    from stacker.documents.journal import plan_beside
    from stacker.documents.panels import of_whole
    from stacker.documents.plan_file import read_plan
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.verify import verify

    run = read_run(journal)
    plan = read_plan(plan_beside(journal))
    if plan.digest != of_whole(run.past.digest):
        raise Refusal(
            f"{plan_beside(journal)} has been made again since this run: find the plan of the run", code="plan"
        )
    each = run.past.pictures_a_frame
    found = read_folder(folder, pictures_each=each)
    if not (found.pictures or found.undated or found.faults):
        raise Refusal(f"{folder}: no pictures in it; is it the right folder?", code="no_pictures")
    (verdict,) = verify([run], found, pictures_each=each)
    return _Stack(verdict=verdict, past=run.past, plan=plan)


def _least_gap_um(plan: Plan) -> float:
    """Three slices of the stack to come: what a survey's slice is made of."""
    slices = 1 if plan.request.purpose == "survey" else 3
    return slices * min(plan.frames.dof_um)


def _values(found: Survey, stack: _Stack) -> dict[str, Any]:
    """The keys of a request that were found, depths from the new front."""
    from stacker.motion.step_grid import whole_down, whole_up

    if found.front_um is None or found.back_um is None:
        return {}

    def outward(depth_um: float) -> float:
        return whole_up(depth_um) * _FINEST_MM

    def inward(low_um: float, high_um: float) -> tuple[float, float]:
        return whole_up(low_um) * _FINEST_MM, whole_down(high_um) * _FINEST_MM

    front_um = found.front_um
    gaps = [inward(low - front_um, high - front_um) for low, high in found.gaps_um]
    values: dict[str, Any] = {"subject.depth_mm": round(outward(found.back_um - front_um), 3)}
    if stack.plan.request.moves != "rear":
        values["subject.depth_source"] = "rail"  # as wrong as the steps of the stack will be, and no more
        values["subject.front_at_mm"] = round(
            stack.past.front_at_mm + front_um / stack.plan.request.subject.index / 1000, 4
        )
    values["subject.gaps"] = [{"from_mm": round(low, 3), "to_mm": round(high, 3)} for low, high in gaps]
    return values


def _write(request: Path, values: dict[str, Any], found: Survey, stack: _Stack) -> None:
    from stacker.cli.edited import write_values
    from stacker.documents.loading import load_request

    if found.reason is not None:
        raise Refusal(f"{request}: nothing was written, since nothing can be told.", code="survey")
    if found.before_first or found.beyond_last:
        raise Refusal(f"{request}: nothing was written, since the subject goes on beyond the survey.", code="survey")
    if stack.plan.request.moves == "rear":
        raise Refusal(
            f"{request}: nothing was written: with moves: rear another front is another magnification; set the draw of "
            "the bellows for the front that was found, and write depth_mm yourself.",
            code="survey",
        )
    write_values(request, values, load_request)


def _document(found: Survey, values: dict[str, Any], frames: int, *, written: bool) -> dict[str, Any]:
    return {
        "frames": frames,
        "front_um": found.front_um,
        "back_um": found.back_um,
        "gaps_um": found.gaps_um,
        "before_first": found.before_first,
        "beyond_last": found.beyond_last,
        "told": found.told,
        "reason": found.reason,
        "lines": values,
        "written": written,
    }
