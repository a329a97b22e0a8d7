"""A subject larger than the field, as stacks side by side: where each stands, what it takes, and in which order.

All panels are runs of one stack: each takes those of its frames that its own depths need.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from stacker.documents.panels import MOST, Panel, PanelDepth, Panels, PlannedPanels
from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.errors import Refusal
from stacker.figures import significant
from stacker.motion.step_grid import whole_down, whole_up
from stacker.planning.budget import timeline_of
from stacker.planning.draft import Draft
from stacker.planning.timeline import Timeline
from stacker.records import record

_BY_HAND_MM = 0.01  # what a stage with a scale is set to: common practice, no source
_COUNTED_MM = 6  # decimals


@record
class _Axis:
    """One direction of the map: how many panels, and how far apart in what its rail counts."""

    name: str
    rail: RailProfile | HandRail | None
    count: int
    step: int
    unit_mm: float
    field_mm: float

    def place(self, index: int) -> int:
        """Of a panel, from the middle of the whole; steps are the same all along."""
        return (2 * index - (self.count - 1)) * self.step // 2

    @property
    def step_mm(self) -> float:
        """From one panel to the next."""
        return self.step * self.unit_mm

    @property
    def overlap(self) -> float | None:
        """What two neighbours share of the field; ``None`` for one alone."""
        return 1 - self.step_mm / self.field_mm if self.count > 1 else None

    def move_s(self, way: int) -> float:
        """How long its rail takes for so many microsteps, take-up and settling included; by hand nobody knows: 0."""
        if not way or not isinstance(self.rail, RailProfile):
            return 0.0
        take_up, move_s = self.rail.take_up_microsteps, self.rail.mover()
        legs = (way,) if way > 0 or not take_up else (way - take_up, take_up)
        return sum(move_s(abs(leg)) for leg in legs) + self.rail.settle_s


def has_panels(draft: Draft) -> bool:
    """Whether a subject is shot as several stacks: asked for, or larger than the field by both its measures."""
    subject = draft.request.subject
    if draft.request.panels is not None:
        return True
    if subject.width_mm is None or subject.height_mm is None:
        return False
    width_mm, height_mm = smallest_field_mm(draft)
    return subject.width_mm > width_mm or subject.height_mm > height_mm


def smallest_field_mm(draft: Draft) -> tuple[float, float]:
    """Width and height that the finished stack shows at every depth.

    Camera or subject moving, each frame shows as much of its own plane of focus, and the edges are lost that not all
    frames cover once they are scaled alike: at the front, where least is left. With a moving rear standard the nearest
    plane is shown largest, and a deeper one shows more.
    """
    kept = 1.0 if draft.request.moves == "rear" else 1 - (draft.edge_loss or 0.0)
    largest = float(draft.aperture.magnification.max())
    width_mm, height_mm = draft.request.camera.sensor_mm
    return kept * width_mm / largest, kept * height_mm / largest


def panels_of(draft: Draft) -> tuple[PlannedPanels, Timeline | None] | None:
    """Lay the panels of a subject; ``None`` where one stack shows all of it and none are asked for.

    Returns
    -------
    PlannedPanels
        In shooting order.
    Timeline or None
        Of all together, moves by rails between them included and moves by hand not; ``None`` where the time of a
        stack is not known.

    Raises
    ------
    Refusal
        If fewer are asked for than cover the subject, a rail is too short or too coarse, or a panel's own depths are
        none of the subject's.
    """
    if not has_panels(draft):
        return None
    asked, subject = draft.request.panels or Panels(), draft.request.subject
    width_mm, height_mm = smallest_field_mm(draft)
    across = _axis("across", asked.across, asked.across_rail, subject.width_mm, width_mm, asked.overlap)
    down = _axis("down", asked.down, asked.down_rail, subject.height_mm, height_mm, asked.overlap)
    _refuse_depths(asked.depths, across.count * down.count, subject.depth_mm)
    panels = tuple(_panels(draft, across, down, {depth.panel: depth for depth in asked.depths}))
    overlaps = [axis.overlap for axis in (across, down) if axis.overlap is not None]
    planned = PlannedPanels(
        across=across.count,
        down=down.count,
        step_across_mm=_mm(across.step_mm) if across.count > 1 else None,
        step_down_mm=_mm(down.step_mm) if down.count > 1 else None,
        field_mm=(_mm(width_mm), _mm(height_mm)),
        overlap=round(min(overlaps), 4) if overlaps else None,
        exposures=sum(len(panel.frames) for panel in panels),
        panels=panels,
    )
    return planned, _timeline(draft, planned, across, down)


def _mm(value: float) -> float:
    return round(value, _COUNTED_MM)


def _axis(
    name: str,
    asked: int | None,
    rail: RailProfile | HandRail | None,
    length_mm: float | None,
    field_mm: float,
    overlap: float,
) -> _Axis:
    """How many panels cover a length, and how far apart: evenly spread where the length is known."""
    unit_mm = _BY_HAND_MM if rail is None else rail.microstep_um / 1000
    farthest = whole_down(field_mm * (1 - overlap) / unit_mm)
    if farthest < 1:
        raise Refusal(
            f"one division of the rail {name} is {significant(unit_mm)} mm, more than from one panel to the next",
            code="panels",
            key=f"panels.{name}_rail",
        )
    count, step = asked or 1, farthest
    if length_mm is not None and length_mm > field_mm:
        # from the middle of the first panel to that of the last; half a division is lost where the middle is halved
        way = whole_up((length_mm - field_mm) / unit_mm) + 1
        least = -(-way // farthest) + 1
        count = asked or least
        if not least <= count <= MOST:
            raise Refusal(
                f"{significant(length_mm)} mm {name} take {least} panels of {significant(field_mm)} mm with "
                f"{overlap:.0%} in common, and {count if asked else MOST} are {'asked for' if asked else 'the most'}; "
                "use less magnification or less overlap",
                code="panels",
                key=f"panels.{name}",
            )
        step = -(-way // (count - 1)) if count > 1 else farthest
    axis = _Axis(name=name, rail=rail, count=count, step=step, unit_mm=unit_mm, field_mm=field_mm)
    _refuse_short(axis)
    return axis


def _refuse_short(axis: _Axis) -> None:
    """A rail that cannot go from the first panel to the last, take-up included."""
    if axis.rail is None:
        return
    low_mm, high_mm = axis.rail.soft_limits_mm
    needs_mm = ((axis.count - 1) * axis.step + axis.rail.take_up_microsteps) * axis.unit_mm
    if axis.count > 1 and needs_mm > high_mm - low_mm:
        raise Refusal(
            f"the panels need {significant(needs_mm, 4)} mm {axis.name}, take-up included, and the soft limits of "
            f"that rail leave {significant(high_mm - low_mm, 4)} mm; use fewer panels, or a longer rail",
            code="soft_limits",
            key=f"panels.{axis.name}_rail.soft_limits_mm",
        )


def _refuse_depths(depths: tuple[PanelDepth, ...], count: int, depth_mm: float) -> None:
    for place, depth in enumerate(depths, start=1):
        key = f"panels.depths[{place}]"
        if depth.panel > count:
            raise Refusal(f"found {depth.panel}; there are panels 1 to {count}", code="panels", key=f"{key}.panel")
        if depth.to_mm > depth_mm:
            raise Refusal(
                f"found {depth.to_mm:g}; the subject ends at {depth_mm:g} mm", code="panels", key=f"{key}.to_mm"
            )


def _panels(draft: Draft, across: _Axis, down: _Axis, depths: dict[int, PanelDepth]) -> Iterator[Panel]:
    """In shooting order, each with its frames; those that take the same are timed once."""
    times: dict[tuple[int, int], float | None] = {}
    for number, (column, row) in enumerate(_order(across, down), start=1):
        first, last = _frames(draft, depths.get(number))
        x, y = across.place(column), down.place(row)
        if (first, last) not in times:
            part = timeline_of(draft, slice(first - 1, last))
            times[first, last] = None if part is None else round(part.duration_s, 3)
        yield Panel(
            panel=number,
            column=column + 1,
            row=row + 1,
            across_mm=_mm(x * across.unit_mm),
            down_mm=_mm(y * down.unit_mm),
            across_microsteps=x if across.rail is not None else None,
            down_microsteps=y if down.rail is not None else None,
            first_frame=first,
            last_frame=last,
            duration_s=times[first, last],
        )


def _order(across: _Axis, down: _Axis) -> list[tuple[int, int]]:
    """Columns and rows to and fro, along the shorter step; along a rail where the other way is moved by hand.

    No order has a shorter way: a path through all panels is a tree that spans them, and of trees on a grid the one
    with all short steps and as few long ones as join its lines is the shortest.
    """
    by_hand = [not isinstance(axis.rail, RailProfile) for axis in (across, down)]
    rows_first = by_hand[1] if by_hand[0] != by_hand[1] else across.step_mm <= down.step_mm
    outer, inner = (down, across) if rows_first else (across, down)
    places = [
        (one, other if one % 2 == 0 else inner.count - 1 - other)
        for one in range(outer.count)
        for other in range(inner.count)
    ]
    return [(other, one) if rows_first else (one, other) for one, other in places]


def _frames(draft: Draft, depth: PanelDepth | None) -> tuple[int, int]:
    """First and last frame, in shooting order, that a panel takes: its depths, and the spare ones beyond them."""
    count = draft.planes.frame_count
    if depth is None:
        return 1, count
    focus_um, spare = draft.planes.focus_um, draft.request.focus.end_frames
    # a plane at or before its front and one at or behind its back, as the whole stack has them
    near = int(np.searchsorted(focus_um, depth.from_mm * 1000, side="right")) - 1 - spare
    far = int(np.searchsorted(focus_um, depth.to_mm * 1000, side="left")) + spare
    low, high = max(near, 0), min(far, count - 1)
    return (low + 1, high + 1) if draft.request.direction > 0 else (count - high, count - low)


def _timeline(draft: Draft, planned: PlannedPanels, across: _Axis, down: _Axis) -> Timeline | None:
    """Of all panels, the main rail back at position 0 before anything moves sideways."""
    each_s = [panel.duration_s for panel in planned.panels]
    if None in each_s:
        return None
    between_s = sum(_between_s(draft, one, other, across, down) for one, other in pairwise(planned.panels))
    duration_s = sum(each for each in each_s if each is not None) + between_s
    return Timeline(start_s=None, duration_s=duration_s, frame_s=duration_s / planned.exposures)


def _between_s(draft: Draft, one: Panel, other: Panel, across: _Axis, down: _Axis) -> float:
    back_s = 0.0
    if draft.rail is not None and isinstance(draft.rail.profile, RailProfile):
        end = draft.planes.position_microsteps[draft.shooting_order][one.last_frame - 1]
        back_s = draft.rail.profile.mover()(abs(int(end)))
    return (
        back_s
        + across.move_s(across.place(other.column - 1) - across.place(one.column - 1))
        + down.move_s(down.place(other.row - 1) - down.place(one.row - 1))
    )
