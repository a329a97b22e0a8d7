"""What a plan says twice must agree: a digest is no signature, and the rail obeys what stands there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stacker.documents.agreement import disagreements
from stacker.documents.plan_file import read_plan

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture(scope="module")
def plan():
    return read_plan(PLANS / "leaf_beetle.plan.yaml")


def told(plan):
    return [(row, key) for row, key, _ in disagreements(plan)]


def with_frames(plan, **columns):
    return replace(plan, frames=replace(plan.frames, **columns))


def on_rail(plan, **changes):
    return replace(plan, request=replace(plan.request, rail=replace(plan.request.rail, **changes)))


def test_a_stored_plan_agrees_with_itself(plan):
    assert told(plan) == []


def test_two_frames_in_one_place_do_not_go_one_way(plan):
    frames = plan.frames

    def doubled(column):
        return (*column[:5], column[4], *column[6:])

    same = with_frames(
        plan,
        focus_um=doubled(frames.focus_um),
        rail_um=doubled(frames.rail_um),
        position_microsteps=doubled(frames.position_microsteps),
    )
    assert told(same) == [(5, "frames.focus_um")]


@pytest.mark.parametrize("position", [10**400, -(10**400)])
def test_a_position_too_large_for_any_product_is_told_and_no_crash(plan, position):
    positions = plan.frames.position_microsteps
    told_of = told(with_frames(plan, position_microsteps=(*positions[:-1], position)))
    assert (len(positions) - 1, "frames.position_microsteps") in told_of


def test_a_rail_must_be_as_long_as_the_frames_and_one_take_up(plan):
    positions, rail = plan.frames.position_microsteps, plan.request.rail
    assert rail.take_up_microsteps
    way = max(positions) - min(positions) + rail.take_up_microsteps
    assert told(on_rail(plan, travel_mm=way * rail.microstep_um / 1000)) == []
    short = on_rail(plan, travel_mm=(way - 1) * rail.microstep_um / 1000)
    assert told(short) == [(None, "frames.position_microsteps")]


def test_positions_without_a_rail_and_a_rail_without_positions_are_told(plan):
    hands = replace(plan, request=replace(plan.request, rail=None))
    assert told(hands) == [(None, "request.rail")]
    bare = with_frames(plan, position_microsteps=(None,) * len(plan.frames))
    assert told(bare) == [(None, "frames.position_microsteps")]
