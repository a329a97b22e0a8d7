"""What a ``sim://`` URL may say: ``sim://bench?time_scale=50&state=rail.json&log=rail.log``."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from stacker.figures import one_line
from stacker.rail.simulated.bounds import unfit


@dataclass(frozen=True, kw_only=True, slots=True)
class SimulatedOptions:
    """One field an option of the URL; positions count microsteps from the low end of the travel.

    Parameters
    ----------
    time_scale : float
        Seconds that pass in one second of waiting; ``inf``: a virtual clock.
    state, log : str
        Files: what outlives the host process; what the hardware did, one JSON object a line.
    travel, turn, per_mm : int
        Length of the rail, microsteps a motor turn, microsteps a millimetre.
    start : int
        Where the carriage stands at first; -1: the middle.
    position : str
        ``known`` or ``unknown`` at first.
    backlash : int
        Play between motor and carriage.
    low_switch, high_switch : int
        Where limit switches open; -1: not built in.
    low_wire, high_wire : str
        Their wires: ``whole``, ``cut`` (reads hit for ever) or ``bridged`` (never does).
    low_cut_at_s, high_cut_at_s : float
        When a wire is cut, in seconds after opening; 0: never.
    supply : str
        ``none`` (no sense input) or ``sensed``.
    supply_off_at_s, reset_at_s, unplug_at_s : float
        When the motor supply fails, the controller resets, the cable is pulled, in seconds after opening; 0: never.
    stall_at : int
        An obstacle: the carriage cannot pass it, the count goes on; -1: none.
    lose : str
        ``K:N``: N steps are lost in motion K.
    reset_on_open : str
        ``never``, ``dtr`` (only when the host raises DTR) or ``always``.
    sync : str
        The flash-sync contact: ``wired``, ``dead`` (never closes), ``stuck`` (closed all the time) or ``none`` (the
        controller has no input for it).
    lag_s, exposure_s, camera_busy_s : float
        The camera: from contact to open shutter, open time, pause after it.
    card_frames, battery_frames : int
        How many frames are left; -1: plenty.
    silent_from, silent_frames : int
        The camera ignores that many frames from that shutter signal on (counted from 1); 0: none.
    asleep_after_s, wake_s : float
        The camera sleeps after that long (0: never) and needs the focus contact that long to wake.
    damage, drop, double, flip, delay, lose_line, double_line : float
        Share of lines that suffer any fault (``damage``: a random one of the others), and of each kind.
    delay_s : float
        How late a delayed line is.
    seed : int
        Seed of the faults.
    baud : int
        Speed of the wire [bit/s].
    top_speed, top_acceleration : int
        The most that the controller accepts.
    name : str
        What the firmware calls itself.
    """

    time_scale: float = 1.0
    state: str = ""
    log: str = ""
    travel: int = 128_000
    turn: int = 3200
    per_mm: int = 1600
    start: int = -1
    position: str = "known"
    backlash: int = 0
    low_switch: int = -1
    high_switch: int = -1
    low_wire: str = "whole"
    high_wire: str = "whole"
    low_cut_at_s: float = 0.0
    high_cut_at_s: float = 0.0
    supply: str = "none"
    supply_off_at_s: float = 0.0
    reset_at_s: float = 0.0
    unplug_at_s: float = 0.0
    stall_at: int = -1
    lose: str = ""
    reset_on_open: str = "never"
    sync: str = "wired"
    lag_s: float = 0.0
    exposure_s: float = 0.005
    camera_busy_s: float = 0.0
    card_frames: int = -1
    battery_frames: int = -1
    silent_from: int = 0
    silent_frames: int = 1_000_000
    asleep_after_s: float = 0.0
    wake_s: float = 0.3
    damage: float = 0.0
    drop: float = 0.0
    double: float = 0.0
    flip: float = 0.0
    delay: float = 0.0
    lose_line: float = 0.0
    double_line: float = 0.0
    delay_s: float = 0.3
    seed: int = 0
    baud: int = 115_200
    top_speed: int = 50_000
    top_acceleration: int = 1_000_000
    name: str = "sim"

    @property
    def slow_speed(self) -> int:
        """Of jogs and of seeking: 1 mm/s [microsteps/s]."""
        return self.per_mm

    @property
    def slow_acceleration(self) -> int:
        """Of jogs and of seeking: 3 mm/s^2 [microsteps/s^2]."""
        return 3 * self.per_mm

    @property
    def least_acceleration(self) -> int:
        """1 mm/s^2: with less a stop would take the whole rail [microsteps/s^2]."""
        return self.per_mm

    @property
    def overtravel(self) -> int:
        """How far a seek leaves its switch, or creeps back off it: 2 mm [microsteps]."""
        return 2 * self.per_mm

    @classmethod
    def from_url(cls, url: str) -> SimulatedOptions:
        """Read the options of a URL.

        Raises
        ------
        ValueError
            For an unknown option or a value that cannot be read, with what is accepted.
        """
        if one_line(url) != url:  # some of them would be left out in silence
            raise ValueError(f"{one_line(url)}: holds a character that no name should have; choose other names")
        given = dict(parse_qsl(urlsplit(url).query, keep_blank_values=True))
        kinds: dict[str, Any] = {field.name: type(field.default) for field in fields(cls)}
        values: dict[str, str | int | float] = {}
        for key, text in given.items():
            if key not in kinds:
                raise ValueError(f"{url}: no option '{key}'; there are {', '.join(sorted(kinds))}")
            try:
                values[key] = kinds[key](text)
            except ValueError:
                raise ValueError(f"{url}: {key}={text} is no {kinds[key].__name__}") from None
        words = {
            "position": ("known", "unknown"),
            "supply": ("none", "sensed"),
            "reset_on_open": ("never", "dtr", "always"),
            "sync": ("wired", "dead", "stuck", "none"),
            "low_wire": ("whole", "cut", "bridged"),
            "high_wire": ("whole", "cut", "bridged"),
        }
        for key, accepted in words.items():
            if values.get(key, accepted[0]) not in accepted:
                raise ValueError(f"{url}: {key} is one of {', '.join(accepted)}")
        if wrong := unfit(values):
            raise ValueError(f"{url}: {wrong}")
        return cls(**values)  # type: ignore[arg-type]
