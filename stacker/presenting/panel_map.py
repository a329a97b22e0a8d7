"""The map of the panels: numbers where they lie, with the millimetres from the middle of the whole."""

from __future__ import annotations

from html import escape

from stacker.documents.panels import Panel, PlannedPanels
from stacker.documents.plan import Plan
from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.figures import significant
from stacker.presenting.tables import WIDTH, duration, table, wrapped

_CELL, _MARGIN = 8, 10  # columns of the terminal that a panel's place takes, and what stands before a row


def panels_fact(plan: Plan, planned: PlannedPanels) -> str:
    """What the card says of them."""
    width_mm, height_mm = planned.field_mm
    apart = [
        f"{step_mm:g} mm {name}"
        for name, step_mm in (("across", planned.step_across_mm), ("down", planned.step_down_mm))
        if step_mm is not None
    ]
    shared = "" if planned.overlap is None else f", {planned.overlap:.0%} in common at least"
    steps = f", {' and '.join(apart)} from one to the next{shared}" if apart else ""
    return (
        f"{planned.across} x {planned.down} of {significant(width_mm)} x {significant(height_mm)} mm{steps}; "
        f"{planned.exposures} frames in all, moved {movers(plan)}"
    )


def hand_moves(plan: Plan) -> bool:
    """Whether a person has anything to move."""
    planned, asked = plan.panels, plan.request.panels
    if planned is None:
        return False
    rails = (None, None) if asked is None else (asked.across_rail, asked.down_rail)
    counts = (planned.across, planned.down)
    return any(count > 1 and not isinstance(rail, RailProfile) for count, rail in zip(counts, rails, strict=True))


def movers(plan: Plan) -> str:
    """Who moves from panel to panel."""
    asked = plan.request.panels
    rails = (
        ("across", None if asked is None else asked.across_rail),
        ("down", None if asked is None else asked.down_rail),
    )
    return " and ".join(f"{name} {_mover(rail)}" for name, rail in rails)


def _mover(rail: RailProfile | HandRail | None) -> str:
    if isinstance(rail, RailProfile):
        return f"by {rail.name}"
    return "by hand" if rail is None else f"by the dial of {rail.name}"


def map_lines(planned: PlannedPanels) -> list[str]:
    """Numbers as they lie; nothing where the terminal is too narrow."""
    if planned.across * _CELL + _MARGIN > WIDTH:
        return []
    at = {(panel.row, panel.column): panel for panel in planned.panels}
    columns = range(1, planned.across + 1)
    lines = ["Map, as the picture shows the subject; mm from the middle of the whole:"]
    lines.append(" " * _MARGIN + "".join(f"{at[1, column].across_mm:>+{_CELL}.2f}" for column in columns))
    for row in range(1, planned.down + 1):
        numbers = "".join(f"{at[row, column].panel:>{_CELL}}" for column in columns)
        lines.append(f"{at[row, 1].down_mm:>+{_MARGIN}.2f}{numbers}")
    return lines


def panel_lines(planned: PlannedPanels) -> list[str]:
    """A row a panel, where they differ; a sentence where all take the same."""
    if len({(panel.first_frame, panel.last_frame) for panel in planned.panels}) == 1:
        one = planned.panels[0]
        time = "" if one.duration_s is None else f", {duration(one.duration_s)}"
        return wrapped(f"Each takes frames {one.first_frame} to {one.last_frame}{time}.")
    rows = [
        [
            str(panel.panel),
            f"{panel.across_mm:+.2f}",
            f"{panel.down_mm:+.2f}",
            f"{panel.first_frame}-{panel.last_frame}",
            str(len(panel.frames)),
            "?" if panel.duration_s is None else duration(panel.duration_s),
        ]
        for panel in planned.panels
    ]
    return table(("panel", "across mm", "down mm", "of the plan", "frames", "time"), rows)


def panels_section(planned: PlannedPanels) -> str:
    """The map and what each panel takes, for the page."""
    says = escape(" ".join(panel_lines(planned))) if len(panel_lines(planned)) == 1 else ""
    words = f"<p>As the picture shows the subject. {says}</p>"
    rows = "" if says else f"<pre>{escape(chr(10).join(panel_lines(planned)))}</pre>"
    return f"<section>\n<h2>Panels</h2>\n{words}\n<figure>{_map_svg(planned)}</figure>\n{rows}</section>"


def _map_svg(planned: PlannedPanels) -> str:
    """The panels drawn to scale, each with its number and frames, and the way through them."""
    width_mm, height_mm = planned.field_mm
    left = min(panel.across_mm for panel in planned.panels) - width_mm / 2
    top = min(panel.down_mm for panel in planned.panels) - height_mm / 2
    right = max(panel.across_mm for panel in planned.panels) + width_mm / 2
    bottom = max(panel.down_mm for panel in planned.panels) + height_mm / 2
    size = 640 / (right - left)

    def x(mm: float) -> float:
        return (mm - left) * size

    def y(mm: float) -> float:
        return (mm - top) * size

    way = " ".join(f"{x(panel.across_mm):.1f},{y(panel.down_mm):.1f}" for panel in planned.panels)
    boxes = "".join(
        _box(panel, x(panel.across_mm), y(panel.down_mm), width_mm * size, height_mm * size) for panel in planned.panels
    )
    label = escape(f"Map of {len(planned.panels)} panels, {planned.across} across and {planned.down} down")
    return (
        f'<svg viewBox="0 0 640 {(bottom - top) * size:.1f}" role="img" aria-label="{label}" class="panels">{boxes}'
        f'<polyline points="{way}" fill="none" stroke="currentColor" stroke-dasharray="3 5" opacity="0.5"/></svg>'
    )


def _box(panel: Panel, x: float, y: float, width: float, height: float) -> str:
    font = max(8.0, min(20.0, height / 3))
    return (
        f'<rect x="{x - width / 2:.1f}" y="{y - height / 2:.1f}" width="{width:.1f}" height="{height:.1f}" '
        'fill="currentColor" fill-opacity="0.06" stroke="currentColor" stroke-opacity="0.6"/>'
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="middle" dominant-baseline="central" fill="currentColor" '
        f'font-size="{font:.0f}">{panel.panel}</text>'
    )
