"""Smeared frames of rendered stacks, and frames that only look so."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from darkroom.scenes import SILENT, TEXTURED
from darkroom.stack_runs import RIGS, shot
from darkroom.stacks import Faults

from stacker.looking.blur import smears_of
from stacker.looking.depths import depths_of
from stacker.looking.seen import Seen


def found(smears) -> list[int]:
    return [frame for frame, smear in enumerate(smears) if smear.way_deg is not None]


def test_a_smeared_frame_is_found_with_its_way():
    stack = shot("rough", "tubes", 41, shape=(240, 368), frames=14, faults=Faults(smear_px={6: (3.0, np.deg2rad(-30))}))
    smears = smears_of(stack.directional)
    assert found(smears) == [6]
    # the renderer's angles run down the picture, where rows count; 5 degrees: by the campaign's scatter of 3
    assert smears[6].way_deg == pytest.approx(30, abs=10)
    assert smears[6].reason is None
    assert smears[0].reason == "fewer than 20 fields are in focus on both sides of it"


def test_a_step_at_fault_and_a_dim_frame_are_no_smear():
    stack = shot(
        "rough", "tubes", 42, shape=(240, 368), frames=14, fault="double", faults=Faults(light_stops={9: -0.4})
    )
    assert found(smears_of(stack.directional)) == []


def test_frames_that_cannot_be_looked_into_are_left_out():
    rng = np.random.default_rng(43)
    blank = rng.gamma(50, size=(12, 4, 20, 30))
    blank[5] = np.nan
    assert all(smear.reason for smear in smears_of(blank))
    assert all(smear.reason == "fewer than 5 frames can be looked into" for smear in smears_of(blank[3:8]))
    assert smears_of(blank[:0]) == ()


@pytest.mark.campaign
@pytest.mark.parametrize(("length_px", "shape", "share"), [(3.0, (480, 720), 0.9), (1.5, (1000, 1500), 0.7)])
def test_most_smears_are_found_and_hardly_any_other(length_px, shape, share):
    """Of 1.5 px in pictures of 1.5 megapixels: smaller ones have too few fields to be sure."""
    hit = told = wrong = frames = 0
    ways = []
    for i, scene in enumerate(TEXTURED):
        for j in (i, i + 1) if length_px > 2 else (i,):
            rig = list(RIGS)[j % 4]
            rng = np.random.default_rng([44, i, j])
            smeared = {at: float(rng.uniform(0, 180)) for at in (5, 9, 14)}
            faults = Faults(smear_px={at: (length_px, -np.deg2rad(way)) for at, way in smeared.items()})
            smears = smears_of(shot(scene, rig, 45, shape=shape, frames=20, faults=faults).directional)
            frames += len(smears)
            wrong += len(set(found(smears)) - {*smeared})
            for at, way in smeared.items():
                told += smears[at].reason is None
                if smears[at].way_deg is not None:
                    hit += 1
                    ways.append((smears[at].way_deg - way + 90) % 180 - 90)
    print(f"\nsmears found {hit} of {told}, false {wrong} in {frames} frames, way off by {np.std(ways):.1f} degrees")
    assert told >= 10
    assert hit >= share * told
    assert wrong <= frames / 300 + 1
    assert np.std(ways) < 8


@pytest.mark.campaign
def test_where_there_is_no_detail_nothing_is_smeared():
    """Noise has directions too: soft and translucent things, as all that is seen of a stack is put together."""
    silent = 0
    for scene in SILENT:
        for rig in RIGS:
            stack = shot(scene, rig, 46, shape=(480, 720), frames=20, faults=Faults(light_stops={4: -1.0}))
            seen = {
                frame: Seen(pixels=(480, 720), fine=fine.astype(np.float32), ways=ways.astype(np.float32))
                for frame, (fine, ways) in enumerate(zip(stack.energy, stack.directional, strict=True), start=1)
            }
            focus_um = dict(enumerate(stack.planned_um, start=1))
            optics = SimpleNamespace(curve=lambda _, stack=stack: stack.curve, seam=lambda _: 0.9)
            depths = depths_of(focus_um, seen, (), optics)
            assert (depths.smeared, depths.soft, depths.off) == ({}, (), ()), (scene, rig)
            silent += depths.reason is not None and all(smear.reason for smear in depths.smears.values())
    print(f"\nnothing to go by in {silent} of {2 * len(RIGS)}")
    assert silent >= 1.6 * len(RIGS)
