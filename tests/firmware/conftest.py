"""A simulated board for each test, and a host that asks it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from firmware.bench import Host, SimulatedBoard


@pytest.fixture
def board() -> Iterator[SimulatedBoard]:
    """A board just switched on, running as fast as it goes: a test that must be quick enough for it sets its pace."""
    running = SimulatedBoard()
    yield running
    running.close()


@pytest.fixture
def host(board: SimulatedBoard) -> Iterator[Host]:
    asking = Host(board.port)
    yield asking
    asking.close()
