"""The sections of the page that show a picture: what it says in words, and the table behind it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stacker.documents.plan import Plan
from stacker.figures import chance, significant
from stacker.motion.frame_clock import FrameTimes
from stacker.planning.apertures import ApertureRow
from stacker.planning.gap_risk import RISK_WORTH_A_WARNING
from stacker.presenting import report_pictures
from stacker.presenting.page import figure_section
from stacker.presenting.slices import Slices
from stacker.presenting.tables import duration


def side_section(plan: Plan, slices: Slices) -> str:
    """The subject from the side: every slice, and the softest place enlarged."""
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
    return figure_section(
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


def contrast_section(plan: Plan, slices: Slices) -> str:
    """Contrast through depth; empty for a single frame."""
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
    return figure_section(
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
    if plan.request.rail is None or (risk is not None and risk <= RISK_WORTH_A_WARNING):
        return None
    if risk is None:
        return "how well the rail repeats is not known"
    return f"the chance that its scatter leaves some seam below that is {chance(risk)}"


def apertures_section(plan: Plan, rows: Sequence[ApertureRow]) -> str:
    """What each f-number costs; empty for a rig without an aperture ring."""
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
    return figure_section(
        "apertures",
        "Slice and frames by f-number",
        says,
        "The ring marks the plan's own; a smaller aperture buys fewer frames with softer ones.",
        lambda narrow: report_pictures.aperture_view(rows, chosen=chosen, diffraction=limit, narrow=narrow),
        ("marked", "effective", "slice um", "frames", "detail um", "time"),
        cells,
    )


def clock_section(plan: Plan, times: Sequence[FrameTimes]) -> str:
    """What happens when, or why nobody knows."""
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
    return figure_section(
        "clock",
        "The clock",
        says,
        "Time 0 is the rail at rest with the front in focus.",
        lambda narrow: report_pictures.clock_view(plan, times, narrow=narrow),
        ("frame", "moves s", "settles s", "waits s", "opens at s", "open s"),
        rows,
    )
