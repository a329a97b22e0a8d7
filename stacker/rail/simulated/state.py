"""All that a simulated board knows, in one value that a file can hold: a real board outlives its host."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from stacker.rail.simulated.mechanics import Camera, Carriage
from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.trapezoid import Motion

NEVER_S = 1e18


@dataclass(slots=True)
class State:
    """Registers of the controller, the mechanics behind it, and the bytes under way; times in seconds of the board."""

    carriage: Carriage
    camera: Camera = field(default_factory=Camera)
    now_s: float = 0.0
    boot: int = 1
    # who may ask
    session: str = "00000000"
    sequence: str = ""
    stored: str = ""
    # motor
    count: int = 0
    motion: Motion | None = None
    phase: str = ""
    why: str = ""  # becomes `ended` when the present motion is over
    slowing: bool = False
    rate: float = 1.0  # acceleration of the present motion
    sought: int = 0
    switch_s: float = NEVER_S
    known: bool = False
    ended: str = "none"
    limits: tuple[int, int] | None = None
    held: bool = True
    latched: bool = False
    edge: int | None = None
    speed: int = 1600
    acceleration: int = 4800
    # what the builder can do to the board
    supply: bool = True
    pressed: dict[str, bool] = field(default_factory=dict)  # held open by hand, or its wire is cut
    bridged: dict[str, bool] = field(default_factory=dict)
    clear_s: dict[str, float] = field(default_factory=dict)
    # shutter
    closed_ms: int = 200
    focus_ms: int = 0
    busy_ms: int = 200
    sync_ms: int = 0
    shot: int = 0
    shot_state: str = "none"
    sync: str = "waiting"
    contacts: bool = False
    focus_s: float = 0.0
    closes_s: float = NEVER_S
    releases_s: float = NEVER_S
    opens_s: float = NEVER_S
    shot_ends_s: float = NEVER_S
    exposed_until_s: float = 0.0
    # deadman
    deadman_ms: int = 2000
    deadman_s: float = NEVER_S
    # the wire
    line: str = ""
    dropping: bool = False
    ring: list[int] = field(default_factory=list)
    serving_s: float = NEVER_S
    under_way: list[tuple[float, int]] = field(default_factory=list)
    distorted: int = 0

    @classmethod
    def fresh(cls, options: SimulatedOptions) -> State:
        """A board that was switched on long ago, its rail where the options say."""
        start = options.travel // 2 if options.start < 0 else options.start
        known = options.position == "known"
        state = cls(carriage=Carriage(place=float(start)), known=known, count=start if known else 0)
        state.carriage.slip = 0 if known else start
        state.speed, state.acceleration = options.slow_speed, options.slow_acceleration
        return state

    def to_json(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> State:
        """From plain values."""
        values = dict(values)
        values["carriage"] = Carriage(**values["carriage"])
        values["camera"] = Camera(**values["camera"])
        if values["motion"] is not None:
            motion = values["motion"]
            values["motion"] = Motion(**{**motion, "pieces": tuple(tuple(piece) for piece in motion["pieces"])})
        values["limits"] = None if values["limits"] is None else tuple(values["limits"])
        values["under_way"] = [(at_s, byte) for at_s, byte in values["under_way"]]
        return cls(**values)
