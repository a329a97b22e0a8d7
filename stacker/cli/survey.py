"""``stacker survey``: where a subject lies, from the pictures of a coarse run through it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.output import note, output_options, result_document, write_json
from stacker.cli.panel_sets import with_their_sets
from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    from stacker.presenting.survey_text import survey_text

    stacks = _stacks_of(folder, with_their_sets([journal], quiet=quiet or as_json))
    told = [_told(stack, folder, quiet=quiet or as_json) for stack in stacks]
    values = _values(told[0].found, told[0].stack) if stacks[0].past.panel is None else _values_of_panels(told)
    if as_json:
        write_json(result_document("survey", _document_of(told, values, written=request is not None)))
    elif not quiet:
        for one in told:
            own = values if one.stack.past.panel is None else _values(one.found, one.stack)
            title = [] if one.stack.past.panel is None else [f"panel {one.stack.past.panel}:"]
            lines = survey_text(one.found, own, frames=one.frames, of=one.stack.verdict.frames)
            click.echo("\n".join([*title, *lines]))
    if picture is not None:
        _draw(picture, told)
    if request is not None:
        _write(request, values, told)
        note(f"Written into {request}.", quiet=quiet or as_json)
    if all(one.whole for one in told):
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


@dataclass(frozen=True, kw_only=True)
class _Told:
    """What its pictures tell, and how many frames were looked into."""

    stack: _Stack
    found: Survey
    frames: int

    @property
    def whole(self) -> bool:
        """Whether it tells front and back."""
        return self.found.reason is None and not (self.found.before_first or self.found.beyond_last)


def _stacks_of(folder: Path, journals: Sequence[Path]) -> list[_Stack]:
    """The survey, or one for each panel, in their order."""
    from stacker.documents.journal import plan_beside
    from stacker.documents.panels import of_whole
    from stacker.documents.plan_file import read_plan
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.verify import verify

    runs = {str(path): read_run(path) for path in journals}
    first = journals[0]
    plan, past = read_plan(plan_beside(first)), runs[str(first)].past
    if plan.digest != of_whole(past.digest):
        raise Refusal(f"{plan_beside(first)} has been made again since this run: find the plan of the run", code="plan")
    each = past.pictures_a_frame
    found = read_folder(folder, pictures_each=each)
    if not (found.pictures or found.undated or found.faults):
        raise Refusal(f"{folder}: no pictures in it; is it the right folder?", code="no_pictures")
    verdicts = verify(list(runs.values()), found, pictures_each=each)
    stacks = [_Stack(verdict=verdict, past=runs[verdict.main].past, plan=plan) for verdict in verdicts]
    return sorted(stacks, key=lambda stack: stack.past.panel or 0)


def _told(stack: _Stack, folder: Path, *, quiet: bool) -> _Told:
    from stacker.cli.looking import focus_um, pictures_seen
    from stacker.looking.survey import surveyed
    from stacker.planning.out_of_focus import OutOfFocus

    seen = pictures_seen(stack.verdict, folder, quiet=quiet)
    found, frames = surveyed(
        {frame: seen.by_name[name] for frame, name in seen.files[0].items()},
        focus_um(stack.past),
        OutOfFocus.of(stack.plan).curve,
        least_gap_um=_least_gap_um(stack.plan),
    )
    return _Told(stack=stack, found=found, frames=frames)


def _draw(picture: Path, told: Sequence[_Told]) -> None:
    """The map of depths; of panels one file each, their numbers in the names."""
    from stacker.presenting.survey_picture import survey_picture

    for one in told:
        panel = one.stack.past.panel
        survey_picture(picture if panel is None else picture.with_stem(f"{picture.stem}-{panel}"), one.found)


def _least_gap_um(plan: Plan) -> float:
    """Three slices of the stack to come: what a survey's slice is made of."""
    slices = 1 if plan.request.purpose == "survey" else 3
    return slices * min(plan.frames.dof_um)


def _outward_mm(depth_um: float) -> float:
    from stacker.motion.step_grid import whole_up

    return round(whole_up(depth_um) * _FINEST_MM, 3)


def _values(found: Survey, stack: _Stack) -> dict[str, Any]:
    """The keys of a request that were found, depths from the new front."""
    from stacker.motion.step_grid import whole_down, whole_up

    if found.front_um is None or found.back_um is None:
        return {}

    def inward(low_um: float, high_um: float) -> tuple[float, float]:
        return whole_up(low_um) * _FINEST_MM, whole_down(high_um) * _FINEST_MM

    front_um = found.front_um
    gaps = [inward(low - front_um, high - front_um) for low, high in found.gaps_um]
    values = _ends(stack, front_um, found.back_um)
    values["subject.gaps"] = [{"from_mm": round(low, 3), "to_mm": round(high, 3)} for low, high in gaps]
    return values


def _ends(stack: _Stack, front_um: float, back_um: float) -> dict[str, Any]:
    values: dict[str, Any] = {"subject.depth_mm": _outward_mm(back_um - front_um)}
    if stack.plan.request.moves != "rear":
        values["subject.depth_source"] = "rail"  # as wrong as the steps of the stack will be, and no more
        values["subject.front_at_mm"] = round(
            stack.past.front_at_mm + front_um / stack.plan.request.subject.index / 1000, 4
        )
    return values


def _values_of_panels(told: Sequence[_Told]) -> dict[str, Any]:
    """The ends of the whole, and what each panel holds of it; one that tells nothing takes all of it.

    The counts are written too: a shallower stack has a larger field, and fewer panels would have other numbers.
    """
    ends = [
        (one, one.found.front_um, one.found.back_um)
        for one in told
        if one.found.front_um is not None and one.found.back_um is not None
    ]
    planned = told[0].stack.plan.panels
    if not ends or planned is None:
        return {}
    front_um, back_um = min(front for _, front, _ in ends), max(back for _, _, back in ends)
    values = _ends(told[0].stack, front_um, back_um)
    deepest_mm = values["subject.depth_mm"]
    depths = [
        {
            "panel": one.stack.past.panel,
            "from_mm": max(round(_outward_mm(front - front_um) - _FINEST_MM, 3), 0.0),
            "to_mm": min(_outward_mm(back - front_um), deepest_mm),
        }
        for one, front, back in ends
    ]
    return values | {"panels.across": planned.across, "panels.down": planned.down, "panels.depths": depths}


def _write(request: Path, values: dict[str, Any], told: Sequence[_Told]) -> None:
    from stacker.cli.edited import write_values
    from stacker.documents.loading import load_request

    if not values:
        raise Refusal(f"{request}: nothing was written, since nothing can be told.", code="survey")
    if any(one.found.before_first or one.found.beyond_last for one in told):
        raise Refusal(f"{request}: nothing was written, since the subject goes on beyond the survey.", code="survey")
    if told[0].stack.plan.request.moves == "rear":
        raise Refusal(
            f"{request}: nothing was written: with moves: rear another front is another magnification; set the draw of "
            "the bellows for the front that was found, and write depth_mm yourself.",
            code="survey",
        )
    write_values(request, values, load_request)


def _document_of(told: Sequence[_Told], values: dict[str, Any], *, written: bool) -> dict[str, Any]:
    documents = [_document(one.found, one.frames) for one in told]
    if told[0].stack.past.panel is None:
        return documents[0] | {"lines": values, "written": written}
    panels = [{"panel": one.stack.past.panel} | document for one, document in zip(told, documents, strict=True)]
    return {"panels": panels, "lines": values, "written": written}


def _document(found: Survey, frames: int) -> dict[str, Any]:
    return {
        "frames": frames,
        "front_um": found.front_um,
        "back_um": found.back_um,
        "gaps_um": found.gaps_um,
        "before_first": found.before_first,
        "beyond_last": found.beyond_last,
        "told": found.told,
        "reason": found.reason,
    }
