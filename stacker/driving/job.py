"""A plan in the words of the rail: microsteps, seconds and plain lists, beside what its profile says of the wiring."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from stacker.documents.between import in_the_plan
from stacker.documents.gcode_link import GcodeLink
from stacker.documents.journal_values import CLOSING
from stacker.documents.light import Light
from stacker.documents.pace import pace_of
from stacker.documents.panels import Panel, of_panel
from stacker.documents.plan import COLUMNS, Plan
from stacker.documents.rail_link import Link, Shutter
from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.errors import Refusal
from stacker.motion.frame_clock import Pace
from stacker.motion.step_grid import whole_down, whole_up
from stacker.motion.take_up import Direction
from stacker.rail.address import is_simulated, with_options
from stacker.rail.settings import RailSettings
from stacker.rail.wire_time import DEFAULT_BAUD


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """One plan for one rail; lists run in shooting order, positions count from position 0 of the plan.

    Parameters
    ----------
    name, digest : str
        Of the plan.
    profile_digest : str
        Of the rail profile.
    path : Path
        The plan's file.
    positions : tuple of int
        [microsteps].
    focus_um, dof_um, exposure_s : tuple of float
        Depth of the plane of focus, thickness of the slice, how long the shutter takes, a whole bracket included.
    start_s : tuple of float or None
        When the shutter opens; None with a person's finger on the release.
    duration_s : float or None
        Of the whole run; None likewise.
    rows : tuple of list
        The plan's rows, for the journal.
    direction : int
        Direction from which every stop is reached: 1 into the subject, -1 out of it.
    front_at : int or None
        Rail position of the front, where the request says it [microsteps].
    refocus_error_um : float or None
        How far off a refocused front may be; None: one slice.
    clearance_um : float or None
        Working distance less what must stay clear; None: unknown or not at risk.
    link, shutter : Link or GcodeLink, Shutter
        What the profile says of the wiring; the link's `url` is where this run goes.
    pictures_a_frame : int
        Of a bracket, else 1.
    bracket_stops, bracket_gap_s : tuple of float, float
        Exposures of a bracket that the rail fires one by one, and how long after the end of each the next opens [s].
    low_switch_at : int or None
        Where the low switch clears [microsteps].
    panel : Panel or None
        That this is of; its frames count from 1 within it.
    between : tuple of int
        Frames of the plan behind each of which one more is counted that the plan does not have.
    """

    name: str
    digest: str
    profile_digest: str
    path: Path
    positions: tuple[int, ...]
    focus_um: tuple[float, ...]
    dof_um: tuple[float, ...]
    exposure_s: tuple[float, ...]
    start_s: tuple[float, ...] | None
    duration_s: float | None
    rows: tuple[list[Any], ...]
    columns: tuple[str, ...]
    direction: Direction
    front_at: int | None
    refocus_error_um: float | None
    clearance_um: float | None
    rail: RailSettings
    rail_name: str
    link: Link | GcodeLink
    shutter: Shutter
    pace: Pace
    hold_after: bool
    pictures_a_frame: int = 1
    bracket_stops: tuple[float, ...] = ()
    bracket_gap_s: float = 0.0
    low_switch_at: int | None = None
    check_steps_after: bool = False
    warnings: tuple[str, ...] = ()
    panel: Panel | None = None
    between: tuple[int, ...] = ()
    cards: int | None = None
    batteries: int | None = None

    @property
    def count(self) -> int:
        """Frames in the plan."""
        return len(self.positions)

    def row(self, frame: int) -> int:
        """Where a frame stands in the lists; the closing frame is frame 1 once more."""
        return 0 if frame == CLOSING else frame - 1

    def named(self, frame: int) -> str:
        """What a frame is called: one that the plan does not have by those between which it lies."""
        return "closing frame" if frame == CLOSING else f"frame {self.number(frame)}"

    def number(self, frame: int) -> str:
        """Its number in the plan, or those between which it lies."""
        own, between = in_the_plan([frame], self.between)
        return str(own[0]) if own else f"between {between[0]} and {between[0] + 1}"

    def mm(self, microsteps: int) -> float:
        """Microsteps as mm."""
        return microsteps / self.rail.microsteps_per_mm


def rail_settings(profile: RailProfile) -> RailSettings:
    """A profile in microsteps; speeds rounded down, limits inward."""
    per_mm = 1000 / profile.microstep_um
    low_mm, high_mm = profile.soft_limits_mm
    return RailSettings(
        microsteps_per_mm=per_mm,
        microsteps_per_turn=profile.full_steps_per_turn * profile.microsteps_per_full_step,
        travel=whole_down(profile.travel_mm * per_mm),
        soft_low=whole_up(low_mm * per_mm),
        soft_high=whole_down(high_mm * per_mm),
        speed=max(1, whole_down(profile.speed_mm_s * per_mm)),
        acceleration=max(1, whole_down(profile.acceleration_mm_s2 * per_mm)),
        take_up=profile.take_up_microsteps,
        deadman_s=profile.link.deadman_s if isinstance(profile.link, Link) else 2.0,
    )


def link_of(profile: RailProfile, url: str | None = None) -> Link | GcodeLink:
    """How to reach the rail of a profile; `url` goes before the profile's.

    A travel that was measured with another profile than this one does not count.

    Raises
    ------
    Refusal
        When neither names a port.
    """
    link = profile.link
    if link is None and url is None:
        raise Refusal(
            f"rail '{profile.name}' names no port. Write link: {{url: ...}} in its profile, or pass --url; "
            "'stacker rail ports' lists the ports.",
            code="no_link",
            key="rail.link.url",
        )
    address = simulated_url(url or (link.url if link else ""), profile)
    if link is None:
        return Link(url=address)
    if isinstance(link, GcodeLink) and link.measured_with != profile.travel_mark:
        return replace(link, url=address, measured_10_mm=None)
    return replace(link, url=address)


def digest_of(profile: RailProfile | HandRail) -> str:
    """Stands for every value of a profile."""
    return hashlib.sha256(json.dumps(asdict(profile), sort_keys=True).encode()).hexdigest()


def simulated_url(url: str, profile: RailProfile) -> str:
    """Tell a simulated rail the profile's travel, turn and baud, unless its URL says them; any other URL is left."""
    if not is_simulated(url):
        return url
    per_mm = 1000 / profile.microstep_um
    return with_options(
        url,
        {
            "travel": round(profile.travel_mm * per_mm),
            "turn": profile.full_steps_per_turn * profile.microsteps_per_full_step,
            "per_mm": max(1, round(per_mm)),
            "baud": profile.link.baud if profile.link else DEFAULT_BAUD,
        },
    )


def job_of(plan: Plan, path: Path, *, url: str | None = None, need_link: bool = True) -> Job:
    """Translate a plan; a dry run needs no link.

    Raises
    ------
    Refusal
        When the plan has no motor rail or no light.
    """
    profile, light = _motor_rail(plan, path), _light(plan, path)
    request, frames, settings = plan.request, plan.frames, rail_settings(profile)
    front_mm, switch_mm = request.subject.front_at_mm, profile.low_switch_at_mm
    return Job(
        name=plan.name,
        digest=plan.digest,
        profile_digest=digest_of(profile),
        path=path,
        positions=tuple(position for position in frames.position_microsteps if position is not None),  # with a rail all
        focus_um=tuple(frames.focus_um),
        dof_um=tuple(frames.dof_um),
        exposure_s=tuple(light.open_s(exposure_s or 0.0) for exposure_s in frames.exposure_s),
        start_s=tuple(start_s for start_s in frames.start_s if start_s is not None) or None,
        duration_s=plan.budget.duration_s,
        rows=tuple(list(row) for row in zip(*frames.columns(), strict=True)),
        columns=tuple(COLUMNS),
        direction=request.direction,
        front_at=None if front_mm is None else settings.microsteps(front_mm),
        refocus_error_um=request.focus.refocus_error_um,
        clearance_um=_clearance_um(plan),
        rail=settings,
        rail_name=profile.name,
        link=link_of(profile, url) if need_link or url or profile.link else Link(url="no port yet"),
        shutter=profile.shutter,
        pace=pace_of(profile, request.camera, light),
        pictures_a_frame=light.pictures,
        bracket_stops=() if light.bracket_gap_s is None else light.bracket_stops,
        bracket_gap_s=light.bracket_gap_s or 0.0,
        hold_after=profile.hold_after,
        low_switch_at=None if switch_mm is None else settings.microsteps(switch_mm),
        check_steps_after=profile.check_steps_after,
        warnings=tuple(warned.text for warned in plan.warnings),
        cards=plan.budget.cards,
        batteries=plan.budget.batteries,
    )


def panel_job(job: Job, panel: Panel) -> Job:
    """What a panel takes of the whole stack, as a job of its own."""
    part = slice(panel.first_frame - 1, panel.last_frame)
    rows = tuple([number, *row[1:]] for number, row in enumerate(job.rows[part], start=1))
    return replace(
        job,
        name=f"{job.name}, panel {panel.panel}",
        digest=of_panel(job.digest, panel.panel),
        positions=job.positions[part],
        focus_um=job.focus_um[part],
        dof_um=job.dof_um[part],
        exposure_s=job.exposure_s[part],
        start_s=None,  # the whole stack's clock began at another frame
        duration_s=panel.duration_s,
        rows=rows,
        panel=panel,
    )


def _motor_rail(plan: Plan, path: Path) -> RailProfile:
    profile = plan.request.rail
    if isinstance(profile, RailProfile):
        return profile
    what = "no rail" if profile is None else "a hand rail"
    raise Refusal(
        f"{path}: the plan has {what}, and this needs a motor rail. 'stacker export {path} --format csv' prints the "
        "sequence; write rail: in the request.",
        code="no_motor_rail",
        key="rail",
    )


def _light(plan: Plan, path: Path) -> Light:
    if plan.request.light is not None and None not in plan.frames.exposure_s:
        return plan.request.light
    raise Refusal(
        f"{path}: exposures are unknown. Write light: {{kind: ..., exposure_s: ...}} in the request; plan again.",
        code="no_light",
        key="light",
    )


def _clearance_um(plan: Plan) -> float | None:
    """Working distance less what must stay clear [um]; None where it is unknown, or nothing comes closer."""
    distance_mm = plan.optics.working_distance_mm
    if distance_mm is None or plan.request.moves == "rear":
        return None
    return (distance_mm - plan.request.subject.keep_clear_mm) * 1000
