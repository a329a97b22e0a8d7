"""What moves from panel to panel: a rail of its own across and down, or a person.

An axis moves only while the main rail is at rest at its outermost place, and never two at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from textwrap import wrap
from typing import Any, Protocol

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.panels import Panel, Panels, PlannedPanels
from stacker.documents.rail_link import Link
from stacker.documents.rail_profile import Dial, HandRail, RailProfile
from stacker.driving.bench import connect, make_ready
from stacker.driving.job import link_of, rail_settings
from stacker.errors import Refusal, RunStopped
from stacker.rail.address import port_of
from stacker.rail.controller import Identity
from stacker.rail.rail import Rail
from stacker.rail.settings import RailSettings
from stacker.rail.stops import StopOrder

_TOWARD = {"across": ("to the right", "to the left"), "down": ("further down", "further up")}
Places = Mapping[str, Mapping[str, Any]]
"""What a journal says of each axis that a rail moves."""


@dataclass(frozen=True, kw_only=True, slots=True)
class AxisPlan:
    """One direction of the map, before anything is connected.

    Parameters
    ----------
    name : str
        ``across`` or ``down``.
    link, settings : Link or GcodeLink, RailSettings, or None
        Of its rail; None: moved by hand.
    settle_s : float
        After each of its moves [s].
    dial : Dial or None
        Of a hand rail.
    offsets : tuple of int
        Places from the middle of the whole, by which the rail goes [microsteps or divisions].
    """

    name: str
    link: Link | GcodeLink | None = None
    settings: RailSettings | None = None
    settle_s: float = 0.0
    dial: Dial | None = None
    offsets: tuple[int, ...] = ()

    def offset(self, panel: Panel) -> int | None:
        """Of a panel [microsteps or divisions]."""
        offset: int | None = getattr(panel, f"{self.name}_microsteps")
        return offset

    def mm(self, panel: Panel) -> float:
        """The same [mm]."""
        mm: float = getattr(panel, f"{self.name}_mm")
        return mm

    def words(self, panel: Panel) -> str:
        """Where a person is to set this axis."""
        mm = self.mm(panel)
        if not mm:
            return f"{self.name} in the middle"
        toward = _TOWARD[self.name][mm < 0]
        turns = ""
        if self.dial is not None and (offset := self.offset(panel)) is not None:
            whole, division = divmod(abs(offset), self.dial.divisions)
            turns = f", {whole} turns and {division} divisions of the dial"
        return f"{self.name} {abs(mm):.2f} mm{turns}: the picture shows what lies {toward}"


def axis_plans(asked: Panels | None, planned: PlannedPanels) -> tuple[AxisPlan, ...]:
    """The axes along which there is more than one panel."""
    asked = asked or Panels()
    plans = []
    for name, count, rail in (
        ("across", planned.across, asked.across_rail),
        ("down", planned.down, asked.down_rail),
    ):
        if count > 1:
            plans.append(_axis_plan(name, rail, planned))
    return tuple(plans)


def _axis_plan(name: str, rail: RailProfile | HandRail | None, planned: PlannedPanels) -> AxisPlan:
    if isinstance(rail, RailProfile):
        offsets = {getattr(panel, f"{name}_microsteps") for panel in planned.panels}
        return AxisPlan(
            name=name,
            link=link_of(rail),
            settings=rail_settings(rail),
            settle_s=rail.settle_s,
            offsets=tuple(sorted(offsets)),
        )
    return AxisPlan(name=name, dial=None if rail is None else rail.dial)


class Axis(Protocol):
    """What can be brought to a panel's place."""

    plan: AxisPlan
    who: str
    where_from: str

    def go(self, panel: Panel) -> None:
        """Bring it there; returns when it is there."""

    def home(self) -> None:
        """Back to the middle of the whole, where a run ends."""

    def journal(self) -> dict[str, Any]:
        """What a later run must know."""


class RailAxis:
    """An axis with a rail of its own.

    Parameters
    ----------
    plan : AxisPlan
        With link and settings.
    rail : Rail
        Connected.
    identity : Identity
        What its controller said before it was taken over.
    origin : int
        Its position in the middle of the whole [microsteps].
    where_from : str
        How that is known.
    """

    who = "by its rail"

    def __init__(self, plan: AxisPlan, rail: Rail, identity: Identity, origin: int, where_from: str) -> None:
        self.plan, self._rail, self._identity, self._origin = plan, rail, identity, origin
        self.where_from = where_from
        places = [origin + offset for offset in (0, *plan.offsets)]
        rail.narrow(min(places) - rail.settings.take_up, max(places))

    def go(self, panel: Panel) -> None:
        """Move, verify, and let it settle.

        Raises
        ------
        RunStopped
            When it does not arrive, or a stop was ordered.
        """
        offset = self.plan.offset(panel)
        assert offset is not None  # a plan with a rail on this axis counts its places
        self._to(self._origin + offset)

    def home(self) -> None:
        """The same to the middle."""
        self._to(self._origin)

    def _to(self, position: int) -> None:
        make_ready(self._rail)
        self._rail.approach(position, 1)
        self._rail.wait_until(self._rail.clock.now() + self.plan.settle_s)
        self._rail.raise_if_stopped()

    def journal(self) -> dict[str, Any]:
        """Which controller counts from where."""
        assert self.plan.link is not None  # it is connected
        return {
            "port": port_of(self.plan.link.url),
            "boot": self._identity.boot,
            "session": self._rail.controller.session,
            "origin": self._origin,
        }


class HandAxis:
    """An axis that a person moves.

    Parameters
    ----------
    plan : AxisPlan
        With a dial, where it has one.
    confirm_moved : callable
        Calls the person, tells where to, and asks whether it is there.
    """

    who = "by you, when asked"

    def __init__(self, plan: AxisPlan, confirm_moved: Callable[[str], bool]) -> None:
        self.plan, self._confirm, self.where_from = plan, confirm_moved, "the middle is yours to set and to keep"
        self._at: float | None = None

    def go(self, panel: Panel) -> None:
        """Ask for it, unless it is there by the person's word.

        Raises
        ------
        RunStopped
            When nobody says that it is there.
        """
        if self._at == self.plan.mm(panel):
            return
        if not self._confirm(f"panel {panel.panel}: set {self.plan.words(panel)}"):
            raise RunStopped(f"nobody says that panel {panel.panel} is in the picture.", code="not_moved")
        self._at = self.plan.mm(panel)

    def home(self) -> None:
        """It may stay where it is: the next run says where it wants it."""

    def journal(self) -> dict[str, Any]:
        """Nobody counts."""
        return {}


def connect_axes(
    plans: tuple[AxisPlan, ...],
    *,
    before: Places,
    centred: bool,
    stop_order: Callable[[], StopOrder],
    confirm_moved: Callable[[str], bool],
    to_close: ExitStack,
) -> list[Axis]:
    """Connect the rails of the axes; nothing moves.

    Parameters
    ----------
    plans : tuple of AxisPlan
        Along which there is something to move.
    before : mapping
        What the newest journal of these panels says of each axis.
    centred : bool
        The person says that the middle of the subject is in the middle of the picture as they stand.
    stop_order, confirm_moved : callable
        The person's.
    to_close : ExitStack
        Closes their ports.

    Raises
    ------
    Refusal
        When nobody knows where one of them stands, or its limits are too narrow.
    """
    axes: list[Axis] = []
    for plan in plans:
        if plan.link is None or plan.settings is None:
            axes.append(HandAxis(plan, confirm_moved))
            continue
        rail, identity = connect(plan.link, plan.settings, stop_order)
        to_close.callback(rail.controller.close)
        origin, where_from = _origin(plan, rail, identity, before.get(plan.name), centred=centred)
        axes.append(RailAxis(plan, rail, identity, origin, where_from))
    return axes


def _origin(
    plan: AxisPlan, rail: Rail, identity: Identity, before: Mapping[str, Any] | None, *, centred: bool
) -> tuple[int, str]:
    """Where the middle of the whole is on this rail, and how that is known."""
    where = make_ready(rail)
    if not where.known:
        raise Refusal(
            f"the position of the rail {plan.name} is not known (its controller was switched on or stopped at once). "
            "Seek its switch ('stacker rail find'), or name its place ('stacker rail move' with --rail-at-mm).",
            code="position_unknown",
            key=f"panels.{plan.name}_rail",
        )
    if before and not centred:
        assert plan.link is not None  # it is connected
        same = before["port"] == port_of(plan.link.url) and before["boot"] == identity.boot
        if same and identity.session == before["session"]:
            return before["origin"], "as the panels before had it"
        raise Refusal(
            f"the rail {plan.name} was switched off, exchanged, or used by another program since: bring the middle of "
            "the subject into the middle of the picture, then pass --centred.",
            code="position_unknown",
            key=f"panels.{plan.name}_rail",
        )
    return where.position, "where it stands: see that the middle of the subject is in the middle of the picture"


def announced(axes: list[Axis], panels: tuple[Panel, ...]) -> Iterator[str]:
    """What will move from panel to panel, for the question before the first move."""
    for axis in axes:
        plan = axis.plan
        ends = sorted(plan.mm(panel) for panel in panels)
        where = f"at {ends[0]:+.2f}" if ends[0] == ends[-1] else f"between {ends[0]:+.2f} and {ends[-1]:+.2f}"
        yield f"{plan.name}: {axis.who}, {where} mm from the middle"
        yield from wrap(axis.where_from, 78, initial_indent="  ", subsequent_indent="  ")
