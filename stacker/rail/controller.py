"""What a rail's controller can do, whatever dialect it speaks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from stacker.errors import LinkError, RunStopped
from stacker.rail.clock import Clock

NOBODY = "00000000"  # the session of a controller that has obeyed nobody yet


@dataclass(frozen=True, kw_only=True, slots=True)
class Identity:
    """Who answers.

    Parameters
    ----------
    name : str
        What the firmware calls itself.
    version : int
        Protocol version.
    boot : int
        Boot number: another one means that the position was forgotten.
    microsteps_per_turn : int or None
        What the driver's jumpers are said to be; None: it cannot tell.
    session : str
        Of the host that it obeyed last, `NOBODY` since it was switched on; empty: it cannot tell.
    """

    name: str
    version: int
    boot: int
    microsteps_per_turn: int | None
    session: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Where:
    """Where the rail is, by the controller's count.

    Parameters
    ----------
    resting : bool
        Whether it is at rest.
    known : bool
        Whether the position is known.
    position : int
        Counted position [microsteps], positive deeper into the subject.
    ended : str
        Why the last motion ended, in the controller's word.
    """

    resting: bool
    known: bool
    position: int
    ended: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ShotState:
    """What became of a shot.

    Parameters
    ----------
    shot : int
        Its number.
    over : bool
        Whether it has ended.
    cut : bool
        Whether it was ended before its time.
    sync : str
        ``closed``, ``open``, ``stuck`` (closed all the time), ``unwired`` or ``waiting``.
    closed_s : float or None
        When the shutter contact closed, at the latest [s of the clock]; None: not asked for by `Controller.fire`.
    held_s : float or None
        How long the host held it, at the longest [s]; None: the controller holds it by its own clock.
    """

    shot: int
    over: bool
    cut: bool
    sync: str
    closed_s: float | None = None
    held_s: float | None = None


class ControllerRefused(LinkError):
    """The controller understood and said no.

    Parameters
    ----------
    reason : str
        Its word.
    detail : str
        What followed the word.
    message : str
        For the person.
    """

    def __init__(self, reason: str, detail: str, message: str) -> None:
        super().__init__(message, code=f"controller_{reason}")
        self.reason, self.detail = reason, detail


class ControllerReset(RunStopped):
    """The controller restarted in the middle of things: it has forgotten where the rail is."""


class Jogs(Protocol):
    """Of a controller that moves a rail of which it does not know where it is."""

    def jog(self, position: int) -> None:
        """Start a slow move of at most 1 mm; returns at once."""


class Switches(Protocol):
    """Of a controller that hears its limit switches."""

    def reads_hit(self, end: str) -> bool:
        """Whether the switch at that end, ``low`` or ``high``, reads hit."""

    def seek(self, end: str) -> None:
        """Start seeking it; returns at once."""

    def edge(self) -> int:
        """Where it cleared in the last seek [microsteps]."""


class Controller(Protocol):
    """The dialect-free face of a controller; positions in microsteps, speeds in microsteps/s."""

    clock: Clock
    session: str  # this host's, new for each; empty where the dialect knows none
    poll_s: float
    lead_s: float  # how long an order to fire is on the wire
    question_s: float  # and a question
    longest_move_s: float | None  # moves are cut into pieces of that time, where nothing stops one under way
    bounds: tuple[int, int] | None
    attend: Callable[[], None]

    @property
    def jogs(self) -> Jogs | None:
        """Its way to move while the position is lost; None: it has none."""

    @property
    def switches(self) -> Switches | None:
        """Its limit switches; None: it hears none."""

    @property
    def acted_s(self) -> float:
        """When the last request was acted on, at the latest, lost and repeated as it may be [s of the clock]."""

    def connect(self) -> Identity:
        """Find out who answers; changes nothing."""

    def take_over(self) -> None:
        """Become the one host that is obeyed."""

    def configure(self, *, speed: int, acceleration: int, deadman_s: float) -> None:
        """Set how later moves go."""

    def set_limits(self, low: int, high: int) -> None:
        """Let later moves end within these only, both included."""

    def where(self) -> Where:
        """Ask where the rail is."""

    def start_move(self, position: int) -> None:
        """Start moving to a position; returns at once."""

    def declare(self, position: int) -> None:
        """Say what the present place is called."""

    def hold(self, *, on: bool) -> None:
        """Energise the motor or let go of it."""

    def clear(self) -> None:
        """Allow motion again after a stop."""

    def stop(self, *, at_once: bool = False) -> None:
        """Decelerate to rest, or end all pulses; may be called at any time."""

    def set_shutter(self, *, pulse_s: float, focus_s: float, sync_s: float) -> None:
        """Set how later shots go."""

    def set_busy(self, busy_s: float) -> None:
        """Keep the rail still that long after the shutter contact closed."""

    def fire(self, shot: int, position: int) -> ShotState:
        """Make one exposure at this position; a shot number acts once."""

    def shot(self) -> ShotState:
        """Ask what became of the last shot."""

    def close(self) -> None:
        """Let go of the port."""
