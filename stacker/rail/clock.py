"""Time as the run sees it: the system's, compressed, or virtual. Injected everywhere, so that no test sleeps."""

from __future__ import annotations

import math
import sys
import time
from typing import Protocol


class Clock(Protocol):
    """Seconds that only rise, and a way to wait."""

    def now(self) -> float:
        """Seconds since some instant; never steps back."""

    def sleep(self, seconds: float) -> None:
        """Wait; zero or less returns at once."""


def _counts_sleep() -> int | None:
    """The system's clock that goes on while the computer sleeps; None where `time.monotonic` is that clock.

    On Linux and macOS `time.monotonic` stands still meanwhile, and a contact held through an hour of sleep would seem
    held for a second; Windows' own goes on (from memory of the systems' manuals).
    """
    if sys.platform == "darwin":
        return time.CLOCK_MONOTONIC
    return getattr(time, "CLOCK_BOOTTIME", None)


_CLOCK = _counts_sleep()


class SystemClock:
    """The monotonic clock of the system, sleep of the computer included."""

    def now(self) -> float:
        """Seconds of that clock."""
        return time.monotonic() if _CLOCK is None else time.clock_gettime(_CLOCK)

    def sleep(self, seconds: float) -> None:
        """Wait that long."""
        if seconds > 0:
            time.sleep(seconds)


class ScaledClock:
    """A clock whose waiting is compressed and whose computing is not.

    A slow computer thus never looks like one that sleeps: the simulated deadman sees the host's own work at its true
    length.

    Parameters
    ----------
    scale : float
        How many seconds of this clock pass in one second of waiting; infinity: waiting takes no time.
    """

    def __init__(self, scale: float) -> None:
        self._scale = scale
        self._skipped_s = 0.0

    def now(self) -> float:
        """Seconds computed plus seconds waited."""
        return time.monotonic() + self._skipped_s

    def sleep(self, seconds: float) -> None:
        """Wait a ``scale``-th part, count the whole."""
        if seconds <= 0:
            return
        before = self.now()
        if not math.isinf(self._scale):
            time.sleep(seconds / self._scale)
        self._skipped_s += max(0.0, seconds - (self.now() - before))


class VirtualClock:
    """A clock that moves only when somebody waits: every run takes the same time to the last digit."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now(self) -> float:
        """Seconds waited so far."""
        return self._now_s

    def sleep(self, seconds: float) -> None:
        """Move on at once."""
        self._now_s += max(0.0, seconds)


def clock_for(time_scale: float) -> Clock:
    """The clock of a simulated rail: 1 real, above 1 compressed, infinity virtual."""
    if time_scale == 1:
        return SystemClock()
    return VirtualClock() if math.isinf(time_scale) else ScaledClock(time_scale)
