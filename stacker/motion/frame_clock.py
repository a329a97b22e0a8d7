"""The clock of a frame: when its shutter may open, and when the rail may leave. Planning, run and exports go by it.

A run asks the clock what it must wait for and tells it when a contact really closed; a plan lets it run by itself.
All times are seconds from one instant, which the caller chooses.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from stacker.motion.take_up import Direction, stops
from stacker.records import record

RELEASE_S = 0.02
"""The release contact stays open at least that long between two frames [s] (common practice, no source)."""


@record
class Wire:
    """What requests and answers add by their own length; a run has it from the line itself [s].

    Attributes
    ----------
    begin_s : float
        Before the rail leaves for the first frame.
    leave_s : float
        From the end of an exposure until the rail leaves for the next frame.
    arrive_s : float
        From the end of a motion until the controller has been asked about it: only then it counts as arrived.
    leg_s : float
        From there to the next motion, where a stop takes two.
    tell_s : float
        To set another exposure time.
    fire_s : float
        From arrival to the soonest that a contact can close.
    close_s : float
        From the moment a contact is ordered closed until the host knows, where it counts from then on.
    outcome_s : float
        From the moment an exposure is ordered to the soonest that its outcome can be told.
    over_s : float
        How long after the end of an exposure its outcome is asked for.
    let_go_s : float
        From the moment the host lets a contact go until it knows.
    """

    begin_s: float = 0.0
    leave_s: float = 0.0
    arrive_s: float = 0.0
    leg_s: float = 0.0
    tell_s: float = 0.0
    fire_s: float = 0.0
    close_s: float = 0.0
    outcome_s: float = 0.0
    over_s: float = 0.0
    let_go_s: float = 0.0


@record
class Pace:
    """What rail, camera and light need between frames; what is not known is not waited for.

    Attributes
    ----------
    settle_s : float
        From arrival until nothing shakes any more [s].
    recycle_s : float
        From one opened shutter to the next [s].
    rest_after : int or None
        After so many frames the light cools.
    rest_s : float
        How long it does, from the last opened shutter [s].
    buffer_frames : int or None
        Frames that the camera holds unwritten; frame i waits until frame i - `buffer_frames` is written.
    write_s : float or None
        How long one file takes to write [s].
    delay_s : float
        From contact to open shutter: mirror and lag [s].
    contact_s : float
        How long the release contact is closed for a frame [s]; 0: there is none.
    bulb : bool
        It is closed for the exposure instead.
    focus_s : float
        How long the focus contact closes before it [s].
    held : bool
        The host holds the contact, and the rail stands still meanwhile.
    wire : Wire
        Times of the line to the controller.
    """

    settle_s: float
    recycle_s: float = 0.0
    rest_after: int | None = None
    rest_s: float = 0.0
    buffer_frames: int | None = None
    write_s: float | None = None
    delay_s: float = 0.0
    contact_s: float = 0.0
    bulb: bool = False
    focus_s: float = 0.0
    held: bool = False
    wire: Wire = Wire()

    def closed_s(self, exposure_s: float) -> float:
        """How long the release contact is closed for that exposure [s]."""
        return exposure_s if self.bulb else self.contact_s


class FrameTimes(NamedTuple):
    """One frame; seconds from the rail at rest at position 0.

    Attributes
    ----------
    leaves_s, arrives_s, settled_s, opens_s, closes_s : float
        The rail leaves and arrives; nothing shakes any more; the shutter opens and closes.
    free_s, written_s : float
        The rail may leave for the next frame; the file is written, or the exposure over where writing is not known.
    """

    leaves_s: float
    arrives_s: float
    settled_s: float
    opens_s: float
    closes_s: float
    free_s: float
    written_s: float


class FrameClock:
    """From frame to frame.

    Parameters
    ----------
    pace : Pace
        What must be waited for.
    fired_s : float or None
        When the flash may have fired last, before the first frame [s]; None: long ago. How often it had is not known
        then, so one that must cool does so first.

    Attributes
    ----------
    written_s : float
        When the camera has written all its files, as far as known [s].

    Notes
    -----
    A contact closes at max(arrived + settle, fired before + recycle or rest, written a buffer before), and when both
    contacts have been open for `RELEASE_S`; the shutter opens after mirror and lag. The rail leaves when the exposure
    ends, or later when a contact that the host holds is let go. A file is written at max(written before, exposure end)
    + time.
    """

    def __init__(self, pace: Pace, fired_s: float | None = None) -> None:
        self._pace = pace
        self._ready_s = -math.inf if fired_s is None else fired_s + max(pace.recycle_s, pace.rest_s)
        self._fired = 0
        self._told_s: float | None = None
        self._written_s: deque[float] = deque(maxlen=pace.buffer_frames or 1)
        self.written_s = 0.0

    def due_s(self, arrived_s: float, exposure_s: float) -> float:
        """When the release contact may close for a rail that arrived then [s]."""
        pace, wire = self._pace, self._pace.wire
        soonest_s = wire.fire_s + pace.focus_s + (wire.tell_s if exposure_s != self._told_s else 0.0)
        due_s = max(arrived_s + max(pace.settle_s, soonest_s), self._ready_s)
        if pace.write_s is not None and pace.buffer_frames and len(self._written_s) == pace.buffer_frames:
            due_s = max(due_s, self._written_s[0])
        return due_s

    def fired(self, contact_s: float, exposure_s: float) -> float:
        """Note an exposure by when its contact closed [s]; returns when the rail may leave [s]."""
        pace, wire = self._pace, self._pace.wire
        opens_s, contact_open_s = contact_s + pace.delay_s, contact_s + pace.closed_s(exposure_s)
        self._fired += 1
        rests = pace.rest_after is not None and self._fired % pace.rest_after == 0
        self._ready_s = opens_s + (max(pace.recycle_s, pace.rest_s) if rests else pace.recycle_s)
        if pace.contact_s:  # the focus contact closes first, and cannot while the release contact is closed still
            self._ready_s = max(self._ready_s, contact_open_s + RELEASE_S + pace.focus_s)
        self._told_s = exposure_s
        closes_s = opens_s + exposure_s
        self.written_s = max(self.written_s, closes_s) + (pace.write_s or 0.0)
        self._written_s.append(self.written_s)
        free_s = max(closes_s + wire.over_s, contact_s - pace.focus_s + wire.outcome_s)
        return max(free_s, contact_open_s + wire.let_go_s) if pace.held else free_s


def move_times_s(
    positions: Iterable[int], *, direction: Direction, take_up: int, move_s: Callable[[int], float], wire: Wire
) -> list[float]:
    """How long the rail takes to each stop, take-up included, until it counts as arrived [s].

    Parameters
    ----------
    positions : iterable of int
        Stops in shooting order, from position 0, where the rail stands before [microsteps].
    direction, take_up
        As for `stacker.motion.take_up.stops`.
    move_s : callable
        How long a move of so many microsteps takes [s].
    wire : Wire
        Times of the line to the controller.
    """
    known_s: dict[int, float] = {0: 0.0}  # most stacks have very few lengths
    here, times_s = 0, []
    for legs in stops(positions, direction=direction, take_up=take_up):
        total_s = -wire.leg_s
        for stop in legs:
            length = abs(stop - here)
            if length not in known_s:
                known_s[length] = move_s(length) + wire.arrive_s + wire.leg_s
            total_s += known_s[length]
            here = stop
        times_s.append(max(0.0, total_s))
    return times_s


def frame_times(moves_s: Iterable[float], exposures_s: Iterable[float], pace: Pace) -> Iterator[FrameTimes]:
    """Let the clock run through a stack.

    Parameters
    ----------
    moves_s : iterable of float
        How long the rail takes to each stop [s], as `move_times_s` gives it.
    exposures_s : iterable of float
        How long each shutter is open [s].
    pace : Pace
        What must be waited for.
    """
    clock, leaves_s = FrameClock(pace), pace.wire.begin_s
    for move_s, exposure_s in zip(moves_s, exposures_s, strict=True):
        arrives_s = leaves_s + move_s
        contact_s = clock.due_s(arrives_s, exposure_s) + pace.wire.close_s
        opens_s, free_s = contact_s + pace.delay_s, clock.fired(contact_s, exposure_s)
        yield FrameTimes(
            leaves_s=leaves_s,
            arrives_s=arrives_s,
            settled_s=arrives_s + pace.settle_s,
            opens_s=opens_s,
            closes_s=opens_s + exposure_s,
            free_s=free_s,
            written_s=clock.written_s,
        )
        leaves_s = free_s + pace.wire.leave_s
