"""Connecting: whatever fails on the way, the port is let go."""

from __future__ import annotations

import pytest
from rails import SETTINGS

from stacker.documents.rail_link import Link
from stacker.driving import bench
from stacker.driving.bench import connect, look, name_place
from stacker.errors import LinkError, Refusal
from stacker.rail.line import LineController
from stacker.rail.stops import StopOrder

LINK = Link(url="sim://x?time_scale=inf")


@pytest.fixture
def closed(monkeypatch):
    """How often a controller's port was closed."""
    times, close = [], LineController.close

    def counting(controller):
        times.append(controller)
        close(controller)

    monkeypatch.setattr(LineController, "close", counting)
    return times


@pytest.mark.parametrize("at", ["connect", "take_over", "configure"])
def test_a_controller_that_fails_on_the_way_is_let_go(monkeypatch, closed, at):
    def fails(*_, **__):
        raise LinkError("gone", code="gone")

    monkeypatch.setattr(LineController, at, fails)
    with pytest.raises(LinkError, match="gone"):
        connect(LINK, SETTINGS)
    assert len(closed) == 1


def test_whoever_is_told_who_answers_may_end_the_matter_before_it_is_taken_over(monkeypatch, closed):
    taken = []
    monkeypatch.setattr(LineController, "take_over", lambda _: taken.append(1))

    def met(_, identity):
        assert identity.name
        raise Refusal("another rail", code="other_rail")

    with pytest.raises(Refusal, match="another rail"):
        connect(LINK, SETTINGS, met=met)
    assert (taken, len(closed)) == ([], 1)


def test_a_look_lets_the_port_go(closed):
    identity, where, _ = look(LINK, SETTINGS)
    assert identity.microsteps_per_turn == SETTINGS.microsteps_per_turn
    assert where.known
    assert len(closed) == 1


def test_a_rail_whose_motor_was_let_go_is_held_before_its_place_is_named():
    rail, _ = connect(Link(url="sim://x?time_scale=inf&position=unknown"), SETTINGS, lambda: StopOrder.GO_ON)
    held = []
    hold = rail.controller.hold
    rail.controller.hold = lambda *, on: (held.append(on), hold(on=on))
    try:
        name_place(rail, 64_000)
        assert held == [True]
        assert rail.controller.where().known
        assert bench.make_ready(rail).position == 64_000
        assert held == [True]  # one that knows its place is held already
    finally:
        rail.controller.close()
