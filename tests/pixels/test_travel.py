"""A target that moves across the picture, rendered by ray and plane: where it stood, and what is refused."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from darkroom.across import Bench
from darkroom.camera import Body

from stacker.errors import Refusal
from stacker.pixels.travel import follow

SMALL = (128, 192)
CROOKED = {"yaw_deg": -3, "target_deg": 2, "pitch_deg": 2, "roll_deg": 4, "barrel": 0.003}


def shot(bench: Bench, at_um: np.ndarray, seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [bench.photograph(place, rng) for place in at_um]


def places(span_um: float, count: int, seed: int) -> np.ndarray:
    return np.linspace(-span_um, span_um, count) + np.random.default_rng(seed).normal(0, 3, count)


@cache
def series(**changes: float) -> tuple[Bench, np.ndarray, tuple[np.ndarray, ...]]:
    """Few small pictures over more than the field of one."""
    bench = Bench(shape=SMALL, travel_um=560, **changes)
    at_um = places(500, 7, 4)
    return bench, at_um, tuple(shot(bench, at_um, 4))


def strays_um(bench: Bench, at_um: np.ndarray, pictures) -> np.ndarray:
    found = follow(pictures, most=255)
    stray = found.along_px * bench.scale_um_per_px - at_um
    return stray - np.nanmean(stray)


@pytest.mark.parametrize("changes", [{}, CROOKED], ids=["square", "crooked"])
def test_positions_are_right_to_a_tenth_of_a_micrometre_at_1x(changes):
    bench, at_um, pictures = series(**changes)
    # 0.1 um rms is asked for; these pictures have a thousandth of a camera's pixels
    assert strays_um(bench, at_um, pictures).std() < 0.1


def test_the_way_is_told_in_degrees_and_in_how_many_steps():
    _, _, pictures = series(**CROOKED)
    found = follow(pictures, most=255)
    assert found.degrees == pytest.approx(-4, abs=0.5)
    assert found.key_count >= 2
    assert 0 < found.error_px < 0.05


def test_a_picture_on_which_nothing_can_be_seen_is_left_out():
    bench, at_um, pictures = series()
    dark = np.full(SMALL, 3, dtype=np.uint8)
    stray = strays_um(bench, at_um, [*pictures[:4], dark, *pictures[5:]])
    assert list(np.flatnonzero(np.isnan(stray))) == [4]
    assert np.nanstd(stray) < 0.1
    stray = strays_um(bench, at_um, [dark, *pictures[1:]])  # the first of all
    assert list(np.flatnonzero(np.isnan(stray))) == [0]
    assert np.nanstd(stray) < 0.1


def test_places_without_grain_are_left_out():
    """A target that does not fill the picture: what is seen beside it is even and grey, with its own noise."""
    bench, at_um, pictures = series()
    rng = np.random.default_rng(12)
    partly = [picture.astype(float) for picture in pictures]
    for picture in partly:
        picture[:, :48] = rng.normal(140, 3, (SMALL[0], 48))
    assert strays_um(bench, at_um, partly).std() < 0.15


def refused(pictures) -> str:
    with pytest.raises(Refusal) as refusal:
        follow(pictures, most=255)
    return refusal.value.code


def test_what_cannot_be_read_is_refused_with_its_reason():
    _, _, pictures = series()
    rng = np.random.default_rng(2)
    assert refused([*pictures, pictures[0][:-2]]) == "sizes_differ"
    assert refused([np.clip(picture * 2.2, 0, 255) for picture in pictures]) == "saturated"
    assert refused([rng.normal(128, 5, SMALL) for _ in range(4)]) in ("no_shift", "no_texture")
    fine = Bench(shape=SMALL, grain_px=0.3, blur_px=0.2, travel_um=120)
    assert refused(shot(fine, np.array([-90.0, -41, 3, 55]), 6)) == "aliased"
    assert refused([pictures[0]] * 5) == "still"


def test_a_narrow_strip_of_grain_is_refused():
    """With its places in one row nobody could tell a tilted camera from a target that leans to its way."""
    bench = Bench(shape=(84, 192), yaw_deg=2, travel_um=150)
    assert refused(shot(bench, np.array([-120.0, 0, 120]), 3)) == "narrow"


def test_a_camera_that_sinks_during_the_run_is_refused():
    bench = Bench(shape=SMALL, travel_um=300)
    rng = np.random.default_rng(7)
    sunk = [bench.photograph(along, rng, across_um=down) for along, down in ((-200, 0), (-60, 0), (60, 30), (200, 30))]
    assert refused(sunk) == "crooked"


@pytest.mark.parametrize("size", [30, 40, 50])
@pytest.mark.parametrize("changes", [{}, CROOKED], ids=["square", "crooked"])
def test_the_head_of_a_screw_in_a_corner_moves_no_reading(size, changes):
    """It stands still in every picture: of five places the one that holds most of it says otherwise than the others."""
    bench, at_um, pictures = series(**changes)
    rest = shot(Bench(shape=SMALL, seed=9), np.array([0.0]), 9)[0]
    held = [picture.copy() for picture in pictures]
    for picture in held:
        picture[-size:, -size:] = rest[-size:, -size:]
    # as asked for without it; where its place widened what a place may stray, readings were off by 0.2 to 0.4
    assert strays_um(bench, at_um, held).std() < 0.1


def test_something_that_stands_still_in_the_picture_is_refused():
    _, _, pictures = series()
    rest = shot(Bench(shape=SMALL, seed=9), np.array([0.0]), 9)[0]
    blocked = [np.concatenate((rest[:64], picture[64:])) for picture in pictures]
    assert refused(blocked) in ("no_shift", "not_flat")


def test_a_target_whose_parts_go_different_ways_is_refused():
    """A slope of the shift across the picture is a tilted camera, a bow of it the lens; strips in turns are neither."""
    at_um = np.array([-60.0, 0, 60])
    one, other = (shot(Bench(shape=(256, 128), seed=9, travel_um=70), at_um * way, 9) for way in (1, 1.08))
    stripes = (np.arange(256) // 51 % 2)[:, None] == 1
    assert refused([np.where(stripes, a, b) for a, b in zip(one, other, strict=True)]) == "not_flat"


@pytest.mark.campaign
def test_readings_of_forty_benches_at_several_scales():
    """A reading within 0.1 um rms at 1x: tilts of some degrees, distortion, noise, JPEG, any way across the picture."""
    worst, stated, lengths = [], [], []
    for seed in range(40):
        rng = np.random.default_rng((seed, 30))
        bench = Bench(
            shape=(256, 384),
            seed=seed,
            travel_um=1000,
            yaw_deg=rng.uniform(-4, 4),
            pitch_deg=rng.uniform(-3, 3),
            roll_deg=rng.choice([0, 90, 180]) + rng.uniform(-5, 5),
            target_deg=rng.uniform(-2, 2),
            barrel=rng.uniform(-0.003, 0.003),
            grain_px=rng.uniform(1.5, 4),
            contrast=rng.uniform(0.4, 1),
            body=Body(full_well_e=float(rng.choice([3000, 30_000])), quality=int(rng.choice([85, 95]))),
        )
        at_um = places(900, 10, seed)
        found = follow(shot(bench, at_um, seed), most=255)
        stray = found.along_px * bench.scale_um_per_px - at_um
        worst.append(float(np.std(stray - stray.mean())))
        stated.append(found.error_px * bench.um_per_px)
        lengths.append(np.polyfit(at_um, stray, 1)[0] / found.scale_error)
    print("rms um", np.round(np.quantile(worst, [0.5, 0.9, 1.0]), 3), "stated", np.round(np.median(stated), 3))
    assert max(worst) < 0.1
    # the length of the way: 40 errors in units of their own standard error; 3 is reached once in 10 such campaigns
    print("length in its errors", np.round(np.sqrt(np.mean(np.square(lengths))), 2))
    assert np.max(np.abs(lengths)) < 4
    assert 0.5 < np.sqrt(np.mean(np.square(lengths))) < 1.3
