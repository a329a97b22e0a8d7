"""Clocks: time waited counts whole, whatever part of it really passes."""

from __future__ import annotations

import math
import time

import pytest

from stacker.rail.clock import ScaledClock, SystemClock, VirtualClock, clock_for


def test_a_compressed_clock_waits_a_share_and_counts_the_whole():
    clock = ScaledClock(1000)
    began, real = clock.now(), time.monotonic()
    clock.sleep(5.0)
    assert time.monotonic() - real >= 0.005
    # what passes by itself counts too, and once: a busy computer may add to it, never take away
    assert 5.0 <= clock.now() - began <= 5.0 + (time.monotonic() - real)


@pytest.mark.parametrize("clock", [ScaledClock(1e9), ScaledClock(math.inf), VirtualClock()])
def test_nothing_and_less_than_nothing_is_not_waited(clock):
    before = clock.now()
    clock.sleep(0.0)
    clock.sleep(-3.0)
    assert clock.now() - before < 1.0
    clock.sleep(100.0)
    assert clock.now() - before >= 100.0


def test_the_systems_clock_waits_in_earnest(monkeypatch):
    asked = []
    monkeypatch.setattr(time, "sleep", asked.append)
    clock = SystemClock()
    for seconds in (0.25, 0.0, -1.0):
        clock.sleep(seconds)
    assert asked == [0.25]
    before = time.monotonic() if not hasattr(time, "CLOCK_BOOTTIME") else time.clock_gettime(time.CLOCK_BOOTTIME)
    assert before <= clock.now() < before + 5


def test_the_scale_chooses_the_clock():
    assert isinstance(clock_for(1), SystemClock)
    assert isinstance(clock_for(20), ScaledClock)
    assert isinstance(clock_for(math.inf), VirtualClock)
