"""The page of a plan: one file that needs nothing else, for the memory stick, the telephone and the printer."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from stacker.documents.plan import Plan
from stacker.figures import chance, significant
from stacker.motion.frame_clock import FrameTimes
from stacker.optics.spectrum import Spectrum
from stacker.planning.apertures import ApertureRow
from stacker.presenting import report_pictures
from stacker.presenting.bench_card import checks, facts, rail_step_um
from stacker.presenting.frame_times import planned_times
from stacker.presenting.report_style import STYLE
from stacker.presenting.slices import Slices
from stacker.presenting.svg import inline, require_matplotlib, style
from stacker.presenting.tables import duration

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Nothing may be fetched and no script may run: what a title says stays words.
LIKELY_GAP = 0.001  # as for the warning gap_risk
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"

BEGINNING = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="stacker">"""  # by which a page of ours is known


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
    title = escape(plan.name)
    with style():
        parts = [
            _card(plan),
            _list("Warnings", [f"{warned.text} ({warned.code})" for warned in plan.warnings], css_class="warnings"),
            _list("Suggestions", [advice.text for advice in plan.advice]),
            _assumed(plan),
            _list("Before the first frame", checks(plan), list_class="checks"),
            _side(plan, slices),
            _contrast(plan, slices),
            _apertures(plan, apertures),
            _clock(plan, times),
        ]
    body = "\n".join(part for part in parts if part)
    return f"""{BEGINNING}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{escape(_POLICY)}">
<link rel="icon" href="data:,">
<title>{title}: {plan.coverage.frame_count} frames</title>
<style>{STYLE}</style>
</head>
<body>
<header>
<h1>{title}</h1>
<p class="lead">{escape(_headline(plan))}</p>
</header>
<main>
{body}
</main>
<footer>Plan {escape(plan.digest)}, made by stacker {escape(plan.planner)}. The exact table:
stacker export PLAN --format csv</footer>
</body>
</html>
"""


def _headline(plan: Plan) -> str:
    time = "" if plan.budget.duration_s is None else f" in {duration(plan.budget.duration_s)}"
    step = "" if plan.coverage.step_um is None else f", steps of {significant(plan.coverage.step_um, 4)} um at most"
    if step and plan.request.subject.index != 1:  # a person who turns a rail must not read the focus's step
        step = f", steps of the rail of {significant(rail_step_um(plan), 4)} um at most (depths are true depths)"
    count = plan.coverage.frame_count
    return f"{count} {'frame' if count == 1 else 'frames'}{time}{step}, at {significant(plan.optics.magnification)}x"


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


def _value(value: Any) -> str:
    if value is None:
        return "unknown"
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)


# ------------------------------------------------------------------------------------------------------ the pictures


def _figure(
    name: str,
    title: str,
    says: str,
    caption: str,
    draw: Callable[[bool], Figure],
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
) -> str:
    """A picture in two widths, what it says in words, and the table behind it."""
    pictures = "\n".join(
        inline(draw(narrow), name=f"{name}-{size}", title=title, description=says, css_class=size)
        for size, narrow in (("wide", False), ("narrow", True))
    )
    return (
        f"<figure>\n<h2>{escape(title)}</h2>\n{pictures}\n<figcaption>{escape(says)} {escape(caption)}</figcaption>\n"
        f"{_table(title, head, rows)}\n</figure>"
    )


def _table(title: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    heads = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
    lines = "\n".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    label = escape(f"Table: {title}")
    return f"""<details>
<summary>The numbers behind this picture</summary>
<div class="scroll" role="region" tabindex="0" aria-label="{label}">
<table>
<thead><tr>{heads}</tr></thead>
<tbody>
{lines}
</tbody>
</table>
</div>
</details>"""


def _side(plan: Plan, slices: Slices) -> str:
    coverage = plan.coverage
    outside = sum(not 0 <= focus <= plan.request.subject.depth_mm * 1000 for focus in slices.focus_um)
    spare = f"; {outside} planes of focus lie outside the subject" if outside else ""
    overlap = "" if coverage.overlap is None else f", overlapping by {coverage.overlap:.0%} at least"
    says = (
        f"{_slices(len(slices))} of {significant(plan.depth_of_field.total_um, 4)} um for "
        f"{plan.request.subject.depth_mm:g} mm of depth{overlap}{spare}."
    )
    rows = zip(
        map(str, slices.frame),
        (f"{value:.1f}" for value in slices.focus_um),
        (f"{value:.1f}" for value in slices.near_um),
        (f"{value:.1f}" for value in slices.far_um),
        strict=True,
    )
    return _figure(
        "side",
        "The subject from the side",
        says,
        "The outline stands in for the subject; depths are to scale.",
        lambda narrow: report_pictures.side_view(plan, slices, narrow=narrow),
        ("frame", "focus um", "near um", "far um"),
        rows,
    )


def _slices(count: int) -> str:
    return "1 slice" if count == 1 else f"{count} slices"


def _contrast(plan: Plan, slices: Slices) -> str:
    if slices.softest is None:
        return ""
    softest, least = slices.softest, slices.seam_contrast[slices.softest]
    if not slices.promised:
        promise = f"The plan's model promises no contrast; {slices.level:g} is drawn for comparison"
    elif doubt := _doubt(plan):
        promise = f"The plan asks for {slices.promised:g} of the in-focus contrast at every depth, and {doubt}"
    else:
        where = "outside of the gaps" if plan.request.subject.gaps else "everywhere"
        promise = f"The plan promises {slices.promised:g} of the in-focus contrast {where}"
    more = slices.promised and least > slices.promised + 0.005
    says = (
        f"{promise}. With the rail exactly in place the softest seam, between frames {slices.frame[softest]} and "
        f"{slices.frame[softest + 1]}, keeps {least:.3f}{', since the slices overlap' if more else ''}."
    )
    rows = (
        (f"{one}, {other}", f"{seam / 1000:.4f}", "gap" if math.isnan(kept) else f"{kept:.4f}")
        for one, other, seam, kept in zip(
            slices.frame, slices.frame[1:], slices.seam_um, slices.seam_contrast, strict=False
        )
    )
    return _figure(
        "contrast",
        "Contrast through depth",
        says,
        f"Share of its in-focus contrast that the finest detail keeps ({slices.target_lp_mm:.4g} line pairs a mm on "
        "the sensor), or coarser detail where defocus costs that more.",
        lambda narrow: report_pictures.contrast_view(slices, narrow=narrow),
        ("frames", "seam mm", "share kept"),
        rows,
    )


def _doubt(plan: Plan) -> str | None:
    """Why the rail may not keep what the plan asks for."""
    risk = plan.coverage.gap_risk
    if plan.request.rail is None or (risk is not None and risk <= LIKELY_GAP):
        return None
    if risk is None:
        return "how well the rail repeats is not known"
    return f"the chance that its scatter leaves some seam below that is {chance(risk)}"


def _apertures(plan: Plan, rows: Sequence[ApertureRow]) -> str:
    chosen = plan.optics.f_number
    known = [row for row in rows if row.frames is not None]
    if not known or chosen is None:
        return ""
    limit = plan.optics.diffraction_f_number
    past = "" if limit is None else f" Past f/{limit:.3g} diffraction shows."
    most, least = known[0], known[-1]
    says = (
        f"The plan's f/{chosen:g} takes {plan.coverage.frame_count} frames; f/{most.f_number:g} would take "
        f"{most.frames}, f/{least.f_number:g} {least.frames}.{past}"
    )
    cells = (
        (
            f"f/{row.f_number:g}",
            f"f/{significant(row.effective_f_number)}",
            significant(row.slice_um),
            str(row.frames),
            significant(row.finest_detail_um),
            duration(row.duration_s),
        )
        for row in known
    )
    return _figure(
        "apertures",
        "Slice and frames by f-number",
        says,
        "The ring marks the plan's own; a smaller aperture buys fewer frames with softer ones.",
        lambda narrow: report_pictures.aperture_view(rows, chosen=chosen, diffraction=limit, narrow=narrow),
        ("marked", "effective", "slice um", "frames", "detail um", "time"),
        cells,
    )


def _clock(plan: Plan, times: Sequence[FrameTimes]) -> str:
    if not times:
        return (
            "<section>\n<h2>The clock</h2>\n<p>The time is unknown: the request must describe the light, and a motor "
            "rail that releases the shutter.</p>\n</section>"
        )
    waits_s = sum(one.opens_s - one.settled_s for one in times)
    moves_s = sum(one.arrives_s - one.leaves_s for one in times)
    settles_s = sum(one.settled_s - one.arrives_s for one in times)
    says = (
        f"The run takes {duration(plan.budget.duration_s)}: the rail moves for {duration(moves_s)}, settles for "
        f"{duration(settles_s)}, and waits for light and camera for {duration(waits_s)}."
    )
    rows = (
        (
            str(number),
            f"{one.arrives_s - one.leaves_s:.3f}",
            f"{one.settled_s - one.arrives_s:.3f}",
            f"{one.opens_s - one.settled_s:.3f}",
            f"{one.opens_s:.3f}",
            f"{one.closes_s - one.opens_s:.4f}",
        )
        for number, one in enumerate(times, start=1)
    )
    return _figure(
        "clock",
        "The clock",
        says,
        "Time 0 is the rail at rest with the front in focus.",
        lambda narrow: report_pictures.clock_view(plan, times, narrow=narrow),
        ("frame", "moves s", "settles s", "waits s", "opens at s", "open s"),
        rows,
    )
