"""A plan and a simulated rail of its own for each test of a command."""

from __future__ import annotations

import pytest


@pytest.fixture
def plan(plans, tmp_path):
    """A stored plan of 60 frames in a folder of its own."""
    path = tmp_path / "beetle.plan.yaml"
    path.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    return path


@pytest.fixture
def url(tmp_path):
    """A simulated rail on a virtual clock, which logs what it does and remembers where it stands."""
    return f"sim://bench?time_scale=inf&log={tmp_path / 'rail.log'}&state={tmp_path / 'rail.json'}"
