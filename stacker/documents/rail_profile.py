"""The rail profile: a motor rail or a hand rail. Nothing that decides where metal goes has a default."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator
from typing import Any

from stacker.documents.fields import Block, declare
from stacker.documents.gcode_link import GcodeLink
from stacker.documents.rail_link import LINK, Link, Shutter
from stacker.documents.values import Flag, ListOf, Number, Text
from stacker.figures import significant
from stacker.motion.move_time import move_time_s
from stacker.motion.step_grid import division_um, microstep_um
from stacker.motion.take_up import take_up_microsteps
from stacker.records import record

_TRAVEL_MM = Number(unit="mm", above=0, most=2000)
_LIMITS_MM = ListOf(item=Number(unit="mm", least=-2000, most=2000), length=2)
_LEAD_ERROR = Number(least=0, most=0.2)


def _periodic_error() -> Any:
    return declare(
        Number(unit="um", least=0, most=1000),
        "amplitude of the error that comes back with every turn of the screw; 'stacker calibrate rail' finds it",
        default=None,
    )


def _repeatability() -> Any:
    return declare(
        Number(unit="um", least=0, most=1000),
        "one standard deviation of where a move ends; 'stacker calibrate rail' finds it",
        default=None,
        assumed=True,
    )


def _limits_conflict(limits_mm: tuple[float, float], travel_mm: float) -> Iterator[tuple[str, str]]:
    low, high = limits_mm
    if not 0 <= low < high <= travel_mm:
        yield (
            "soft_limits_mm",
            f"found {low:g} and {high:g}; write two rising positions within the travel, 0 to {travel_mm:g} mm",
        )


@record
class RailProfile:
    """A rail with a stepper motor."""

    name: str = declare(Text(), "what the rail is called", default="rail")
    travel_mm: float = declare(_TRAVEL_MM, "from one hard stop to the other")
    soft_limits_mm: tuple[float, float] = declare(_LIMITS_MM, "lowest and highest position the rail may go to")
    full_steps_per_turn: int = declare(Number(whole=True, least=4, most=10_000), "of the motor (1.8 degrees: 200)")
    microsteps_per_full_step: int = declare(Number(whole=True, least=1, most=1024), "as the driver is set")
    lead_mm: float = declare(Number(unit="mm", above=0, most=200), "travel per turn of the screw")
    motor_turns_per_screw_turn: float = declare(
        Number(above=0, most=1000), "gear or belt between motor and screw", default=1.0
    )
    speed_mm_s: float = declare(Number(unit="mm/s", above=0, most=500), "highest speed")
    acceleration_mm_s2: float = declare(Number(unit="mm/s2", above=0, most=50_000), "of starts and stops")
    backlash_um: float = declare(Number(unit="um", least=0, most=5000), "lost motion when the direction changes")
    repeatability_um: float | None = _repeatability()
    microstep_error: float = declare(
        Number(least=0, most=1),
        "how far a stop may be off within its full step, as a share of a full step: data sheets of stepper motors say "
        "0.05; it does not add up from step to step",
        default=0.05,
        assumed=True,
    )
    periodic_error_um: float | None = _periodic_error()
    lead_error: float = declare(
        _LEAD_ERROR, "relative error of the lead: 0.003 is 3 um in a millimetre", default=0.0, assumed=True
    )
    settle_s: float = declare(
        Number(unit="s", least=0, most=600),
        "from the end of a move until nothing shakes",
        default=1.0,
        assumed=True,
    )
    min_step_microsteps: int = declare(
        Number(whole=True, least=1, most=10_000), "steps of fewer microsteps bring a warning", default=4
    )
    low_switch_at_mm: float | None = declare(
        Number(unit="mm", least=-2000, most=2000),
        "rail position where the switch at the low end clears",
        default=None,
    )
    check_steps_after: bool = declare(
        Flag(), "seek the low switch after a run and compare, to find lost steps", default=False
    )
    hold_after: bool = declare(Flag(), "leave the motor energised after a run", default=True)
    link: Link | GcodeLink | None = declare(LINK, "how the computer reaches it", default=None)
    shutter: Shutter = declare(Block(variants={"": Shutter}), "what opens the shutter", default=Shutter())

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Soft limits within the travel; lost steps are found where the switch is known."""
        yield from _limits_conflict(self.soft_limits_mm, self.travel_mm)
        if self.check_steps_after and self.low_switch_at_mm is None:
            yield (
                "check_steps_after",
                "found true without low_switch_at_mm; write where the low switch clears",
            )
        if isinstance(self.link, GcodeLink):
            yield from self._gcode_conflicts()
        if self.shutter.port is not None and self.link is not None and self.shutter.port == self.link.url:
            yield "shutter", f"found the port {self.shutter.port} twice; the shutter needs one of its own"

    @property
    def microstep_um(self) -> float:
        """Travel of the rail for one microstep [um]."""
        return microstep_um(
            lead_mm=self.lead_mm,
            full_steps_per_turn=self.full_steps_per_turn,
            microsteps_per_full_step=self.microsteps_per_full_step,
            motor_turns_per_screw_turn=self.motor_turns_per_screw_turn,
        )

    def scatter_with_um(self, repeatability_um: float) -> float:
        """One standard deviation of where a move ends [um], repeatability and the motor's own error together.

        Within its bounds the motor's error is taken as evenly spread, which has the bound over sqrt(3).
        """
        full_step_um = self.microstep_um * self.microsteps_per_full_step
        return math.hypot(repeatability_um, self.microstep_error * full_step_um / math.sqrt(3))

    @property
    def scatter_um(self) -> float | None:
        """The same with the rail's own repeatability; None where that is not known."""
        return None if self.repeatability_um is None else self.scatter_with_um(self.repeatability_um)

    @property
    def screw_turn_um(self) -> float:
        """Travel of one turn of the screw [um]: the period of its periodic error."""
        return 1000 * self.lead_mm

    @property
    def by_hand(self) -> bool:
        """Whether a person's pace rules: whoever presses the release."""
        return self.shutter.via == "manual"

    @property
    def frame_s(self) -> float | None:
        """What a frame takes at that pace [s], as they measured it."""
        return self.shutter.frame_s

    @property
    def take_up_microsteps(self) -> int:
        """How far a move goes beyond a stop and back [microsteps]."""
        return take_up_microsteps(backlash_um=self.backlash_um, microstep_um=self.microstep_um)

    def mover(self) -> Callable[[int], float]:
        """How long a move of so many microsteps takes [s].

        Where nothing stops a move it is made in pieces, each with a pause: an answer may mean queued, not arrived.
        """
        link, microstep_mm = self.link, self.microstep_um / 1000
        return lambda microsteps: move_time_s(
            microsteps * microstep_mm,
            speed_mm_s=self.speed_mm_s,
            acceleration_mm_s2=self.acceleration_mm_s2,
            piece_s=link.piece_s if isinstance(link, GcodeLink) else math.inf,
            pause_s=link.pause_s if isinstance(link, GcodeLink) else 0.0,
        )

    @property
    def travel_mark(self) -> str:
        """Stands for what decides how far an ordered millimetre goes; another mark asks for a new measurement."""
        lines = (self.link.axis, *self.link.unlock, *self.link.at_start) if isinstance(self.link, GcodeLink) else ()
        told = "\n".join([f"{1000 / self.microstep_um:.6f}", *lines])
        return hashlib.sha256(told.encode()).hexdigest()[:8]

    def _gcode_conflicts(self) -> Iterator[tuple[str, str]]:
        """What RS274/NGC has no words for."""
        if not self.hold_after:
            yield "hold_after", "found false; the dialect gcode has no word that lets a motor go"
        if self.check_steps_after:
            yield "check_steps_after", "found true; the dialect gcode has no word that seeks a switch"
        if self.shutter.via == "rail" and (self.shutter.focus_s or self.shutter.sync_s):
            yield "shutter", "found focus_s or sync_s; the dialect gcode has one output and no input"


@record
class Dial:
    """The divided dial of a hand rail."""

    mm_per_turn: float = declare(Number(unit="mm", above=0, most=200), "travel per turn of the dial")
    divisions: int = declare(Number(whole=True, least=2, most=10_000), "marks around the dial")


@record
class HandRail:
    """A rail moved by hand with a divided dial."""

    name: str = declare(Text(), "what the rail is called", default="hand rail")
    travel_mm: float = declare(_TRAVEL_MM, "from one hard stop to the other")
    soft_limits_mm: tuple[float, float] = declare(_LIMITS_MM, "lowest and highest position the rail may go to")
    dial: Dial = declare(Block(variants={"": Dial}), "the divided dial; its presence makes a hand rail")
    backlash_um: float = declare(
        Number(unit="um", least=0, most=5000),
        "lost motion when the direction changes",
        default=0.0,
        assumed=True,
    )
    repeatability_um: float | None = _repeatability()
    periodic_error_um: float | None = _periodic_error()
    lead_error: float = declare(_LEAD_ERROR, "relative error of the lead", default=0.0, assumed=True)
    frame_s: float | None = declare(
        Number(unit="s", above=0, most=3600),
        "what a frame takes by hand, turning, waiting and exposure included, as you measured it: time ten of them",
        default=None,
    )

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Soft limits within the travel."""
        return _limits_conflict(self.soft_limits_mm, self.travel_mm)

    @property
    def microstep_um(self) -> float:
        """Travel for one division of the dial [um]: what a microstep is to a motor."""
        return division_um(mm_per_turn=self.dial.mm_per_turn, divisions=self.dial.divisions)

    def scatter_with_um(self, repeatability_um: float) -> float:
        """One standard deviation of where a turn ends [um]."""
        return repeatability_um

    @property
    def scatter_um(self) -> float | None:
        """The same with the rail's own repeatability; None where that is not known."""
        return self.repeatability_um

    @property
    def screw_turn_um(self) -> float:
        """Travel of one turn of the dial [um]."""
        return 1000 * self.dial.mm_per_turn

    @property
    def by_hand(self) -> bool:
        """Whether a person's pace rules."""
        return True

    @property
    def take_up_microsteps(self) -> int:
        """How far a turn goes beyond a stop and back [divisions]."""
        return take_up_microsteps(backlash_um=self.backlash_um, microstep_um=self.microstep_um)


def gap_causes(rail: RailProfile | HandRail) -> str:
    """The errors of a rail that a gap risk counts, as a message names them."""
    motor = ", the motor's steps counted in" if rail.scatter_um != rail.repeatability_um else ""
    scatter = f"the rail's scatter ({significant(rail.scatter_um)} um{motor})"
    if not rail.periodic_error_um:
        return scatter
    return f"{scatter} and the periodic error of its screw ({rail.periodic_error_um:g} um)"


RAIL = Block(variants={"dial": HandRail, "": RailProfile}, chosen_by="dial")
