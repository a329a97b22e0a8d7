"""Panels: a subject larger than the field, as several stacks side by side; what is asked for, and what is planned."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.fields import Block, declare
from stacker.documents.rail_profile import RAIL, HandRail, RailProfile
from stacker.documents.values import ListOf, Number
from stacker.records import record

MOST = 50


def of_panel(digest: str, panel: int) -> str:
    """What stands for one panel of a plan, as the plan's digest stands for the whole."""
    return f"{digest}-{panel}"


def of_whole(digest: str) -> str:
    """The plan's digest, of a panel's or of its own."""
    return digest.partition("-")[0]


_COUNT = Number(whole=True, least=1, most=MOST)
_DEPTH_MM = Number(unit="mm", least=0, most=10_000)


@record
class PanelDepth:
    """The depths that a panel holds."""

    panel: int = declare(Number(whole=True, least=1, most=MOST**2), "its number on the map, in shooting order")
    from_mm: float = declare(_DEPTH_MM, "nearest that it holds, from the front of the whole subject")
    to_mm: float = declare(_DEPTH_MM, "deepest that it holds, from the front of the whole subject")

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """A range in order."""
        if self.to_mm <= self.from_mm:
            yield "to_mm", f"found {self.to_mm:g}; write a depth beyond from_mm ({self.from_mm:g})"


@record
class Panels:
    """Stacks side by side, for a subject larger than the field."""

    across: int | None = declare(_COUNT, "panels side by side; as many as subject.width_mm needs", default=None)
    down: int | None = declare(_COUNT, "panels one below the other; as many as subject.height_mm needs", default=None)
    overlap: float = declare(
        Number(least=0.02, most=0.8),
        "share of the smallest field of the stack that neighbours have in common, at least",
        default=0.25,
        assumed=True,
    )
    across_rail: RailProfile | HandRail | None = declare(
        RAIL, "rail that moves across, with a port and limits of its own; without it you move by hand", default=None
    )
    down_rail: RailProfile | HandRail | None = declare(
        RAIL, "rail that moves down, with a port and limits of its own; without it you move by hand", default=None
    )
    depths: tuple[PanelDepth, ...] = declare(
        ListOf(item=Block(variants={"": PanelDepth}), most=MOST**2),
        "panels that hold less than the whole depth: only the frames that these need are taken there",
        default=(),
    )

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """A panel has one range of depths."""
        seen: set[int] = set()
        for place, depth in enumerate(self.depths, start=1):
            if depth.panel in seen:
                yield f"depths[{place}].panel", f"found {depth.panel} a second time; write each panel once"
            seen.add(depth.panel)


@record
class Panel:
    """One panel of a plan: a run of some of its frames at a place of its own."""

    panel: int = declare(_COUNT, "number, from 1, in shooting order")
    column: int = declare(_COUNT, "from the left, from 1")
    row: int = declare(_COUNT, "from the top, from 1")
    across_mm: float = declare(Number(unit="mm"), "from the middle of the whole; positive shows what lies to the right")
    down_mm: float = declare(Number(unit="mm"), "from the middle of the whole; positive shows what lies further down")
    across_microsteps: int | None = declare(
        Number(whole=True), "the same in microsteps or divisions of the rail across", optional=True
    )
    down_microsteps: int | None = declare(
        Number(whole=True), "the same in microsteps or divisions of the rail down", optional=True
    )
    first_frame: int = declare(Number(whole=True, least=1), "first of the plan's frames that it takes")
    last_frame: int = declare(Number(whole=True, least=1), "last of them")
    duration_s: float | None = declare(
        Number(unit="s", least=0), "from rest at its position 0 until its last file is written", optional=True
    )

    @property
    def frames(self) -> tuple[int, ...]:
        """The plan's frames that it takes, in shooting order."""
        return tuple(range(self.first_frame, self.last_frame + 1))


@record
class PlannedPanels:
    """All panels of a plan."""

    across: int = declare(_COUNT, "panels side by side")
    down: int = declare(_COUNT, "panels one below the other")
    step_across_mm: float | None = declare(Number(unit="mm"), "from one to the next, across", optional=True)
    step_down_mm: float | None = declare(Number(unit="mm"), "from one to the next, down", optional=True)
    field_mm: tuple[float, float] = declare(
        ListOf(item=Number(unit="mm", above=0), length=2), "smallest width and height that the finished panels show"
    )
    overlap: float | None = declare(Number(), "smallest share of that which neighbours have in common", optional=True)
    exposures: int = declare(Number(whole=True, least=1), "frames of all panels together")
    panels: tuple[Panel, ...] = declare(
        ListOf(item=Block(variants={"": Panel})), "in shooting order; each a run of its own"
    )
