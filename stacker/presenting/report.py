"""The page of a plan: one file that needs nothing else, for the memory stick, the telephone and the printer."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from stacker.documents.plan import Plan
from stacker.figures import significant, spans
from stacker.optics.spectrum import Spectrum
from stacker.planning.apertures import ApertureRow
from stacker.presenting.bench_card import checks, facts, frames_of, rail_step_um
from stacker.presenting.frame_times import planned_times
from stacker.presenting.page import whole_page
from stacker.presenting.panel_map import panels_section
from stacker.presenting.report_sections import apertures_section, clock_section, contrast_section, side_section
from stacker.presenting.slices import Slices
from stacker.presenting.svg import require_matplotlib, style
from stacker.presenting.tables import duration
from stacker.verifying.sub_stacks import USUAL_SHARED, USUAL_SIZE, sub_stacks


def report_page(plan: Plan, spectrum: Spectrum, apertures: Sequence[ApertureRow]) -> str:
    """The whole page as HTML.

    Parameters
    ----------
    plan : Plan
        As read from its file.
    spectrum : Spectrum
        Of the plan's light.
    apertures : sequence of ApertureRow
        The rows of `stacker apertures`; empty for a rig without an aperture ring.

    Raises
    ------
    Refusal
        When matplotlib is not installed.
    """
    require_matplotlib()
    slices, times = Slices.of(plan, spectrum), planned_times(plan)
    with style():
        parts = [
            _card(plan),
            _list("Warnings", [f"{warned.text} ({warned.code})" for warned in plan.warnings], css_class="warnings"),
            _list("Suggestions", [advice.text for advice in plan.advice]),
            _assumed(plan),
            _list("Before the first frame", checks(plan), list_class="checks"),
            "" if plan.panels is None else panels_section(plan.panels),
            side_section(plan, slices),
            contrast_section(plan, slices),
            apertures_section(plan, apertures),
            clock_section(plan, times),
            _list("Blend first", blend_first(slices)),
        ]
    return whole_page(
        title=plan.name,
        tab=frames_of(plan),
        lead=_headline(plan),
        body="\n".join(part for part in parts if part),
        footer=f"Plan {escape(plan.digest)}, made by stacker {escape(plan.planner)}. The exact table:\n"
        "stacker export PLAN --format csv",
    )


def _headline(plan: Plan) -> str:
    time = "" if plan.budget.duration_s is None else f" in {duration(plan.budget.duration_s)}"
    step = "" if plan.coverage.step_um is None else f", steps of {significant(plan.coverage.step_um, 4)} um at most"
    if step and plan.request.subject.index != 1:  # a person who turns a rail must not read the focus's step
        step = f", steps of the rail of {significant(rail_step_um(plan), 4)} um at most (depths are true depths)"
    count = plan.coverage.frame_count
    frames = frames_of(plan) if plan.panels is not None or count > 1 else "1 frame"
    return f"{frames}{time}{step}, at {significant(plan.optics.magnification)}x"


# --------------------------------------------------------------------------------------------------------- the words


def _card(plan: Plan) -> str:
    lines = "\n".join(f"<dt>{escape(word)}</dt><dd>{escape(text)}</dd>" for word, text in facts(plan))
    return f"<section>\n<h2>Bench card</h2>\n<dl>\n{lines}\n</dl>\n</section>"


def _list(title: str, items: Sequence[str], *, css_class: str = "", list_class: str = "") -> str:
    if not items:
        return ""
    lines = "\n".join(f"<li>{escape(item)}</li>" for item in items)
    return f'<section class="{css_class}">\n<h2>{title}</h2>\n<ul class="{list_class}">\n{lines}\n</ul>\n</section>'


def _assumed(plan: Plan) -> str:
    if not plan.assumed:
        return ""
    pairs = [f"{guess.key} {_value(guess.value)}" for guess in plan.assumed]
    return f"<section>\n<h2>Assumed</h2>\n<p>{escape('; '.join(pairs))}</p>\n</section>"


def blend_first(slices: Slices) -> list[str]:
    """What a deep stack is best divided into, and the command that does it."""
    by_depth = sorted(zip(slices.focus_um, slices.frame, strict=True))
    parts = sub_stacks(len(by_depth), USUAL_SIZE, USUAL_SHARED)
    if len(parts) == 1:
        return []
    frames = [sorted(frame for _, frame in by_depth[part.first - 1 : part.last]) for part in parts]
    command = f"stacker sort FOLDER --journal J --into DIR --groups {USUAL_SIZE} --shared {USUAL_SHARED}"
    return [
        f"Frames {', '.join(map(spans, frames))}: sub-stacks that share {USUAL_SHARED} with the next.",
        f"Then their results, from front to back. A folder for each is made by: {command}",
    ]


def _value(value: Any) -> str:
    if value is None:
        return "unknown"
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)
