"""The rail profile: a motor rail or a hand rail. Nothing that decides where metal goes has a default."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from stacker.documents.fields import Block, Choice, Flag, ListOf, Number, Text, declare

_TRAVEL_MM = Number(unit="mm", above=0, most=2000)
_LIMITS_MM = ListOf(item=Number(unit="mm", least=-2000, most=2000), length=2)
_LEAD_ERROR = Number(least=0, most=0.2)


def _periodic_error() -> Any:
    return declare(
        Number(unit="um", least=0, most=1000),
        "amplitude of the error that comes back with every turn of the screw; 'stacker calibrate rail' finds it",
        default=None,
    )


def _limits_conflict(limits_mm: tuple[float, float], travel_mm: float) -> Iterator[tuple[str, str]]:
    low, high = limits_mm
    if not 0 <= low < high <= travel_mm:
        yield (
            "soft_limits_mm",
            f"found {low:g} and {high:g}; write two rising positions within the travel, 0 to {travel_mm:g} mm",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """How the computer reaches the controller."""

    url: str = declare(Text(), "serial port, or an address such as socket://127.0.0.1:7000 or sim://bench")
    dialect: str = declare(Choice(words=("line",)), "what the controller understands", default="line")
    baud: int = declare(Number(whole=True, least=300, most=4_000_000), "speed of the serial line", default=115_200)
    deadman_s: float = declare(
        Number(unit="s", least=0.4, most=60),
        "the controller stops by itself after this long without a question",
        default=2.0,
    )
    reply_extra_s: float = declare(
        Number(unit="s", least=0, most=10),
        "added to the wait for a reply (adapters, radio, a busy computer)",
        default=0.05,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Shutter:
    """What opens the camera's shutter."""

    via: str = declare(
        Choice(words=("rail", "manual")), "the rail's controller, or a person at the camera", default="rail"
    )
    pulse_s: float = declare(
        Number(unit="s", least=0.01, most=10), "how long the release contact stays closed", default=0.2
    )
    focus_s: float = declare(
        Number(unit="s", least=0, most=60),
        "focus contact closes this long before, to wake the camera",
        default=0.0,
    )
    sync_s: float = declare(
        Number(unit="s", least=0, most=60),
        "how long the flash-sync contact is awaited; 0: not wired",
        default=0.0,
    )
    on_open_sync: str = declare(
        Choice(words=("stop", "repeat")), "what to do when the sync contact stayed open", default="stop"
    )
    repeats: int = declare(
        Number(whole=True, least=0, most=10),
        "how often one frame is repeated before the run stops",
        default=2,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class RailProfile:
    """A rail with a stepper motor."""

    name: str = declare(Text(), "what the rail is called", default="rail")
    travel_mm: float = declare(_TRAVEL_MM, "from one hard stop to the other")
    soft_limits_mm: tuple[float, float] = declare(_LIMITS_MM, "lowest and highest position the rail may take")
    full_steps_per_turn: int = declare(Number(whole=True, least=4, most=10_000), "of the motor (1.8 degrees: 200)")
    microsteps_per_full_step: int = declare(Number(whole=True, least=1, most=1024), "as the driver is set")
    lead_mm: float = declare(Number(unit="mm", above=0, most=200), "travel per turn of the screw")
    motor_turns_per_screw_turn: float = declare(
        Number(above=0, most=1000), "gear or belt between motor and screw", default=1.0
    )
    speed_mm_s: float = declare(Number(unit="mm/s", above=0, most=500), "highest speed")
    acceleration_mm_s2: float = declare(Number(unit="mm/s2", above=0, most=50_000), "of starts and stops")
    backlash_um: float = declare(Number(unit="um", least=0, most=5000), "lost motion when the direction changes")
    repeatability_um: float | None = declare(
        Number(unit="um", least=0, most=1000), "one standard deviation of where a move ends", default=None
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
    link: Link | None = declare(Block(variants={"": Link}), "how the computer reaches it", default=None)
    shutter: Shutter = declare(Block(variants={"": Shutter}), "what opens the shutter", default=Shutter())

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Soft limits within the travel; lost steps are found where the switch is known."""
        yield from _limits_conflict(self.soft_limits_mm, self.travel_mm)
        if self.check_steps_after and self.low_switch_at_mm is None:
            yield (
                "check_steps_after",
                "found true without low_switch_at_mm; write where the low switch clears",
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class Dial:
    """The divided dial of a hand rail."""

    mm_per_turn: float = declare(Number(unit="mm", above=0, most=200), "travel per turn of the dial")
    divisions: int = declare(Number(whole=True, least=2, most=10_000), "marks around the dial")


@dataclass(frozen=True, kw_only=True, slots=True)
class HandRail:
    """A rail moved by hand with a divided dial."""

    name: str = declare(Text(), "what the rail is called", default="hand rail")
    travel_mm: float = declare(_TRAVEL_MM, "from one hard stop to the other")
    soft_limits_mm: tuple[float, float] = declare(_LIMITS_MM, "lowest and highest position the rail may take")
    dial: Dial = declare(Block(variants={"": Dial}), "the divided dial; its presence makes a hand rail")
    backlash_um: float = declare(
        Number(unit="um", least=0, most=5000),
        "lost motion when the direction changes",
        default=0.0,
        assumed=True,
    )
    repeatability_um: float | None = declare(
        Number(unit="um", least=0, most=1000), "one standard deviation of where a move ends", default=None
    )
    periodic_error_um: float | None = _periodic_error()
    lead_error: float = declare(_LEAD_ERROR, "relative error of the lead", default=0.0, assumed=True)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Soft limits within the travel."""
        return _limits_conflict(self.soft_limits_mm, self.travel_mm)


RAIL = Block(variants={"dial": HandRail, "": RailProfile}, chosen_by="dial")
