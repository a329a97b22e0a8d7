"""Places of pictures beside key pictures: a texture laid anywhere exactly, and pictures that tell nothing."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from darkroom.waves import Waves

from stacker.errors import Refusal
from stacker.pixels.places import links_of

SHAPE = (140, 200)
WAVES = Waves(coarsest=0.02, finest=0.25, count=1500)


@cache
def picture(at=(0.0, 0.0), shape=SHAPE):
    return 100 + 12 * WAVES.picture(shape, at)


def series(ats, shape=SHAPE):
    return [picture(at, shape).copy() for at in ats]


def refusal(pictures, most=255.0) -> Refusal:
    with pytest.raises(Refusal) as refused:
        links_of(pictures, most)
    return refused.value


ALONG = [(0.3 * k, 21.4 * k) for k in range(8)]


def test_each_picture_lies_where_it_was_laid_beside_its_key():
    links, count, shape = links_of(series(ALONG), 255)
    assert (count, shape) == (8, SHAPE)
    assert [link.picture for link in links] == [*range(1, 8)]
    key, expected = 0, []
    for now in range(1, 8):  # with less than 70 % of the field in common a picture becomes the next key
        expected.append(key)
        ways = np.array(ALONG[now]) - ALONG[key]
        key = now if np.prod(1 - np.abs(np.rint(ways)) / SHAPE) < 0.7 else key
    assert [link.key for link in links] == expected
    for link in links:
        way = np.array(ALONG[link.picture]) - ALONG[link.key]
        np.testing.assert_allclose(link.shift, np.broadcast_to(way, link.shift.shape), atol=0.03)


def test_the_order_of_the_way_does_not_matter_to_a_link():
    back, _, _ = links_of(series(ALONG[::-1]), 255)
    assert all(link.shift[:, 1].max() < 0 for link in back)


def _clusters(places):
    """Places that are told apart by more than the rounding to whole pixels."""
    ordered = np.sort(places)
    return ordered[np.append(True, np.diff(ordered) > 4)]


@pytest.mark.parametrize(
    ("shape", "way", "size", "numbers"),
    [
        ((140, 200), (0, 20), 64, (3, 4)),  # 68 and 108 px between the outermost, half a place apart at least
        ((200, 140), (0, 20), 64, (4, 2)),
        ((140, 200), (6, -20), 64, (2, 4)),
        ((100, 300), (0, 5), 64, (1, 5)),
        ((384, 500), (30, 40), 128, (3, 5)),
        ((383, 400), (30, 40), 64, (3, 5)),
        ((1024, 1040), (0, 100), 256, (3, 5)),
        ((1023, 1040), (0, 100), 128, (3, 5)),
    ],
)
def test_places_lie_as_far_apart_as_the_field_of_both_allows(shape, way, size, numbers):
    (link,), _, _ = links_of([picture(shape=shape), picture(way, shape)], 255)
    assert sorted(link.number) == [*range(len(link.number))]  # none of them was left out
    down, across = (_clusters(link.middle[:, axis]) for axis in (0, 1))
    assert (len(down), len(across)) == numbers
    for found, side, moved in zip((down, across), shape, way, strict=True):
        if len(found) == 1:
            assert abs(found[0]) <= 1
            continue
        assert found[0] == pytest.approx(-found[-1], abs=2.5)  # whole pixels in both pictures
        # a place half-way between both reaches half of the shift and half of its own size beyond its middle
        beside_rim = side / 2 - (found[-1] + abs(moved) / 2 + size / 2)
        assert 2.5 <= beside_rim <= 6


def test_one_picture_in_ten_may_tell_nothing_and_one_of_few():
    dark = np.full(SHAPE, 2.0)

    def lost(count, places):
        return [dark if k in places else picture((0, 9.0 * k)) for k in range(count)]

    links, count, _ = links_of(lost(8, {4}), 255)
    assert (count, [link.picture for link in links]) == (8, [1, 2, 3, 5, 6, 7])
    assert links_of(lost(20, {4, 9}), 255)[1] == 20
    told = refusal(lost(20, {4, 9, 13}))
    assert told.code == "no_shift"
    assert str(told).startswith("3 of 20 pictures cannot be read")
    assert "2 of 9 pictures" in str(refusal(lost(9, {4, 7})))


def test_the_reason_is_that_of_most_places():
    burnt = [np.clip(picture((0, 9.0 * k)) * 2.4, 0, 255) for k in range(5)]
    assert refusal(burnt).code == "saturated"
    white = [np.full(SHAPE, 255.0)] * 5
    assert refusal(white).code == "saturated"
    noise = np.random.default_rng(8)
    assert refusal([noise.normal(128, 5, SHAPE) for _ in range(5)]).code == "no_shift"
    assert refusal([np.zeros(SHAPE)] * 5).code == "no_shift"
    # under the sensor's black there is no light whose share a contrast could be
    assert refusal([picture((0, 9.0 * k)) - 102 for k in range(5)]).code == "no_texture"
    # in each picture a burnt border, where most of its places lie
    bordered = series(ALONG[:5])
    for one in bordered:
        one[:, :70] = 255
        one[:, 130:] = 255
    assert refusal(bordered).code in ("saturated", "no_shift")


def test_a_place_may_hold_two_burnt_pixels_in_a_thousand():
    some = series(ALONG[:3])
    rng = np.random.default_rng(9)
    for one in some:
        one.ravel()[rng.choice(one.size, int(0.0005 * one.size), replace=False)] = 255
    assert len(links_of(some, 255)[0]) == 2
    for one in some:
        one.ravel()[rng.choice(one.size, int(0.006 * one.size), replace=False)] = 255
    assert refusal(some).code == "saturated"


def test_grain_as_fine_as_the_pixels_is_refused():
    sharp = Waves(coarsest=0.02, finest=0.5, count=3000)
    assert refusal([100 + 12 * sharp.picture(SHAPE, at) for at in ALONG[:4]]).code == "aliased"


def test_pictures_of_two_sizes_are_not_of_one_run():
    assert refusal([picture(), picture(shape=(138, 200))]).code == "sizes_differ"


def test_pictures_are_taken_one_by_one():
    held = []

    def one_by_one():
        for at in ALONG:
            made = picture(at)
            held.append(made)
            yield made

    assert links_of(one_by_one(), 255)[1] == len(held) == 8
