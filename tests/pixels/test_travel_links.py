"""Positions from places whose shifts are reckoned by rays through a pinhole, each point exactly: no pictures here."""

from __future__ import annotations

import numpy as np
import pytest

from stacker.errors import Refusal
from stacker.pixels import travel
from stacker.pixels.places import Link

SHAPE = (300, 460)
EYE_PX = 1500.0  # from the target, in pixels of an untilted one


def seen_at(points, along, *, yaw=0.0, pitch=0.0, roll=0.0, lean=0.0, barrel=0.0):
    """Pixels, down and across from the centre, of points (V, U) of a target that rode so far; angles in degrees."""
    yaw, pitch, roll, lean = np.deg2rad([yaw, pitch, roll, lean])
    v, u = np.asarray(points, dtype=float).T
    x, y, z = u * np.cos(lean) + along, v, u * np.sin(lean)
    x, z = x * np.cos(yaw) - z * np.sin(yaw), x * np.sin(yaw) + z * np.cos(yaw)
    y, z = y * np.cos(pitch) - z * np.sin(pitch), y * np.sin(pitch) + z * np.cos(pitch)
    x, y = x * np.cos(roll) - y * np.sin(roll), x * np.sin(roll) + y * np.cos(roll)
    p, q = EYE_PX * x / (EYE_PX - z), EYE_PX * y / (EYE_PX - z)
    shrink = 1 - barrel * (p**2 + q**2) / (SHAPE[0] ** 2 + SHAPE[1] ** 2) * 4
    return np.stack([q * shrink, p * shrink], axis=1)


def links(ats, *, noise=0.0, seed=1, rows=3, columns=5, every=3, **tilts):
    """Each picture beside a key, every third of which is new; a key's places keep their noise for all beside it."""
    rng = np.random.default_rng(seed)
    key_noise: dict[tuple[int, int], np.ndarray] = {}
    made = []
    for now in range(1, len(ats)):
        key = (now - 1) // every * every
        middle_at = (ats[key] + ats[now]) / 2
        down = np.linspace(-100, 100, rows) if rows > 1 else [0.0]
        points = [(v, u - middle_at) for v in down for u in np.linspace(-150, 150, columns)]
        one, other = (seen_at(points, ats[which], **tilts) for which in (key, now))
        for number in range(len(points)):
            one[number] += key_noise.setdefault((key, number), noise * rng.normal(size=2))
        other += noise * rng.normal(size=other.shape)
        made.append(
            Link(picture=now, key=key, number=np.arange(len(points)), middle=(one + other) / 2, shift=other - one)
        )
    return made


def follow(monkeypatch, made, count):
    monkeypatch.setattr(travel, "links_of", lambda *_: (made, count, SHAPE))
    return travel.follow([], most=255)


ATS = np.linspace(-240, 240, 13) + np.random.default_rng(5).normal(0, 3, 13)
ATS -= ATS.mean()
ALL = {"yaw": 2.0, "pitch": -1.5, "roll": 3.0, "lean": 1.0, "barrel": 0.003}


@pytest.mark.parametrize("tilts", [{}, {"yaw": 3.0}, {"pitch": 3.0}, {"lean": 2.0}, {"barrel": 0.003}, ALL])
def test_tilts_and_distortion_are_taken_off(monkeypatch, tilts):
    found = follow(monkeypatch, links(ATS, **tilts), len(ATS))
    # a way that the camera sees at an angle is as much shorter
    scale = np.cos(np.deg2rad(tilts.get("yaw", 0.0)))
    off = found.along_px - found.along_px.mean() - scale * ATS
    # the model is of the first order: of 480 px of travel two thousandths are left, a pinhole's curves of the second
    assert np.abs(off).max() < 0.004
    naive = np.zeros(len(ATS))
    for link in links(ATS, **tilts):
        naive[link.picture] = naive[link.key] + np.median(link.shift @ _way(tilts))
    if {"lean", "barrel"} & {*tilts}:  # by the middle place alone they would be off a hundred times as much
        assert np.abs(naive - naive.mean() - scale * ATS).max() > 0.2
    assert found.degrees == pytest.approx(tilts.get("roll", 0.0), abs=0.15)
    assert (found.key_count, found.place_count) == (4, 15)


def _way(tilts):
    angle = np.deg2rad(tilts.get("roll", 0.0))
    return np.array([np.sin(angle), np.cos(angle)])


@pytest.mark.parametrize("roll", [90.0, -90.0, 180.0, 37.0])
def test_the_way_may_lie_anyhow_and_positions_rise_as_the_pictures_come(monkeypatch, roll):
    for ats in (ATS, -ATS):
        found = follow(monkeypatch, links(ats, roll=roll), len(ats))
        rising = ats - ats[0] if ats[-1] > ats[0] else ats[0] - ats
        assert found.along_px - found.along_px[0] == pytest.approx(rising, abs=0.02)
        # a line has no head: up to 90 degrees either way
        assert (found.degrees - roll + 90) % 180 - 90 == pytest.approx(0, abs=0.15)
        assert -90 <= found.degrees <= 90


def test_the_first_picture_may_be_one_that_tells_nothing(monkeypatch):
    made = [
        Link(picture=one.picture + 1, key=one.key + 1, number=one.number, middle=one.middle, shift=one.shift)
        for one in links(ATS)
    ]
    found = follow(monkeypatch, made, len(ATS) + 1)
    assert np.isnan(found.along_px[0])
    assert found.along_px[1:] - found.along_px[1] == pytest.approx(ATS - ATS[0], abs=0.02)


def test_stated_errors_are_twice_those_of_noise_that_no_place_shares(monkeypatch):
    """What developing adds is alike from place to place: for that the estimator doubles what it sees."""
    lengths, stated, positions = [], [], []
    for seed in range(60):
        tilts = {"yaw": 1.0, "pitch": -1.0, "lean": 0.5}
        found = follow(monkeypatch, links(ATS, noise=0.05, seed=seed, **tilts), len(ATS))
        exact = follow(monkeypatch, links(ATS, **tilts), len(ATS))
        off = found.along_px - exact.along_px
        away = ATS - ATS.mean()
        lengths.append(float(off @ away / (away @ away)) / found.scale_error)
        stated.append(found.error_px)
        steps = off[1:3] - off[0]  # beside one key
        positions.append(np.std(steps))
    # of one place two noises of 0.05 px; of the mean of 15 places, doubled
    assert np.mean(stated) == pytest.approx(2 * np.sqrt(2) * 0.05 / np.sqrt(15), rel=0.07)
    # 60 lengths: their rms is known to 9 %
    assert 0.35 < np.sqrt(np.mean(np.square(lengths))) < 0.65


def test_without_noise_the_length_is_as_uncertain_as_rendered_pictures_leave_it(monkeypatch):
    still = follow(monkeypatch, links(ATS), len(ATS))
    noisy = follow(monkeypatch, links(ATS, noise=0.05, seed=3), len(ATS))
    assert 0 < still.scale_error < 0.3 * noisy.scale_error
    few = follow(monkeypatch, links(ATS, noise=0.05, seed=3, rows=2, columns=3), len(ATS))
    assert few.scale_error > 1.3 * noisy.scale_error


def spoilt(made, which, by):
    """Some places of some links, elsewhere."""
    for link in made:
        link.shift[which] += by
    return made


def test_a_place_that_strays_is_left_out(monkeypatch):
    """Something that drifts by one corner while three pictures are taken."""
    made = links(ATS, noise=0.01)
    spoilt(made[4:7], [14], (3.0, -6.0))
    found = follow(monkeypatch, made, len(ATS))
    assert found.along_px - found.along_px.mean() == pytest.approx(ATS, abs=0.05)
    assert found.place_count == 15 - 3 / 12
    assert found.error_px < 0.03
    # and something that stands still there in every picture: it must not widen what a place may stray
    found = follow(monkeypatch, spoilt(links(ATS, noise=0.01), [14], (3.0, -6.0)), len(ATS))
    assert found.along_px - found.along_px.mean() == pytest.approx(ATS, abs=0.05)
    assert found.place_count == 14


def refused(monkeypatch, made):
    with pytest.raises(Refusal) as refusal:
        follow(monkeypatch, made, len(ATS))
    return refusal.value.code


def test_what_is_no_straight_flat_way_is_refused(monkeypatch):
    rng = np.random.default_rng(9)
    rough = [  # of every place two tenths of its pictures, more, and the rest as well
        Link(
            picture=one.picture, key=one.key, number=one.number, middle=one.middle,
            shift=one.shift + 0.5 * rng.normal(size=one.shift.shape),
        )
        for one in links(ATS)
    ]  # fmt: skip
    assert refused(monkeypatch, rough) == "not_flat"
    assert refused(monkeypatch, spoilt(links(ATS), [0, 1, 2, 14], (2.0, 9.0))) == "not_flat"
    assert refused(monkeypatch, links(ATS, rows=1)) == "narrow"
    assert refused(monkeypatch, links(ATS / 700)) == "still"
    follow(monkeypatch, links(ATS / 60), len(ATS))  # some pixels are a way
    bowed = links(ATS)
    for one in bowed:
        one.shift[:, 0] += 0.0012 * (ATS[one.picture] ** 2 - ATS[one.key] ** 2)
    assert refused(monkeypatch, bowed) == "crooked"
    hardly = links(ATS)
    for one in hardly:
        one.shift[:, 0] += 0.0001 * (ATS[one.picture] ** 2 - ATS[one.key] ** 2)
    follow(monkeypatch, hardly, len(ATS))
