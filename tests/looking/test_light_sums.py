"""Light of even patches, whose stops are known to the last digit: what is told, of which frames, and by how much."""

from __future__ import annotations

from statistics import median

import numpy as np
import pytest

from stacker.looking.light import LEAST_STOPS, Light, light_of


def fields_of(stops, *, count=40, base=None) -> list[np.ndarray]:
    base = np.random.default_rng(1).uniform(0.05, 0.4, count) if base is None else np.asarray(base)
    return [np.float32(base * 2.0**one) for one in stops]


def told(stops, first=1) -> Light:
    return light_of(range(first, first + len(stops)), fields_of(stops))


def parts(light: Light) -> list[tuple[tuple[int, ...], float, bool]]:
    return [(off.frames, round(off.stops, 2), off.lasting) for off in light.off]


def with_off(changes, count=24):
    stops = np.zeros(count)
    for place, more in changes.items():
        stops[place - 1] = more
    return stops


def test_each_frame_has_its_stops_beside_those_around_it():
    light = told(with_off({6: -0.3, 15: 0.15}))
    assert light.stops == pytest.approx({n: {6: -0.3, 15: 0.15}.get(n, 0.0) for n in range(1, 25)}, abs=1e-6)
    assert parts(light) == [((6,), -0.3, False)]
    assert light.spread_stops == pytest.approx(0.15, abs=1e-6)
    assert light.least_stops == LEAST_STOPS
    assert light.untold == ()


@pytest.mark.parametrize(("more", "told_too"), [(0.19, False), (0.21, True), (-0.19, False), (-0.21, True)])
def test_a_fifth_of_a_stop_is_the_least(more, told_too):
    assert [off.frames for off in told(with_off({9: more})).off] == ([(9,)] if told_too else [])


@pytest.mark.parametrize(("more", "dark"), [(-2.9, False), (-3.1, True)])
def test_three_stops_less_are_dark(more, dark):
    (off,) = told(with_off({9: more})).off
    assert off.dark == dark


def test_the_flicker_is_that_of_a_frame_not_of_the_step_between_two():
    """Four standard deviations of normal light are the least that is told."""
    for sigma in (0.08, 0.12):
        stops = np.random.default_rng(3).normal(0, sigma, 400)
        light = told(stops)
        # 400 steps, neighbours of which share a frame: known to 6 %; what lies beyond four is left out of it
        assert light.least_stops == pytest.approx(4 * sigma, rel=0.15)
    few = told(np.random.default_rng(3).normal(0, 0.02, 100))
    assert few.least_stops == LEAST_STOPS


def test_what_is_off_does_not_count_as_flicker():
    changes = {n: (-1) ** n * 2.0 for n in range(5, 60, 9)}
    stops = with_off(changes, 60) + np.random.default_rng(4).normal(0, 0.01, 60)
    light = told(stops)
    assert light.least_stops == LEAST_STOPS
    assert [off.frames for off in light.off] == [(n,) for n in changes]


@pytest.mark.parametrize("count", [6, 20, 60])
@pytest.mark.parametrize("drift", [0.05, -0.1, 0.19])
def test_a_steady_drift_is_taken_off_to_the_ends(count, drift):
    light = told(drift * np.arange(count) - max(0.0, drift) * count)
    assert light.off == ()
    assert light.spread_stops < 1e-5


def test_a_drift_that_turns_and_a_frame_that_is_off_in_it():
    stops = np.concatenate([0.08 * np.arange(20), 1.6 - 0.06 * np.arange(20)]) - 2
    stops[[0, 11, 30, 39]] -= 0.5
    light = told(stops)
    assert [off.frames for off in light.off] == [(1,), (12,), (31,), (40,)]
    assert [off.stops for off in light.off] == pytest.approx([-0.5] * 4, abs=0.15)


@pytest.mark.parametrize("at", [1, 2, 24, 23])
@pytest.mark.parametrize("more", [0.4, -1.5])
def test_the_first_and_the_last_are_held_against_the_next_one_and_some(at, more):
    assert parts(told(with_off({at: more}))) == [((at,), more, False)]


def test_at_the_end_a_change_for_good_and_one_frame_that_is_off_cannot_be_told_apart_beyond_what_both_say():
    """The last frame beside one that is off itself: it is like the others."""
    assert [off.frames for off in told(with_off({23: -1.0})).off] == [(23,)]
    assert [off.frames for off in told(with_off({2: -1.0})).off] == [(2,)]


@pytest.mark.parametrize("length", [6, 9, 11])
def test_light_that_changes_for_good_is_told_of_the_shorter_part(length):
    stops = np.zeros(30)
    stops[-length:] = -0.5
    assert parts(told(stops)) == [(tuple(range(31 - length, 31)), -0.5, True)]
    assert parts(told(stops[::-1])) == [(tuple(range(1, length + 1)), -0.5, True)]


@pytest.mark.parametrize(("more", "lasting"), [(0.28, False), (0.32, True)])
def test_what_lasts_must_be_half_as_much_again(more, lasting):
    stops = np.where(np.arange(40) < 25, 0.0, more)
    assert [off.lasting for off in told(stops).off] == [True] * lasting


def test_of_three_levels_each_part_is_told_beside_the_longest():
    stops = np.concatenate([np.full(8, 0.5), np.zeros(20), np.full(9, -1.0)]) - 0.6
    assert parts(told(stops)) == [(tuple(range(1, 9)), 0.5, True), (tuple(range(29, 38)), -1.0, True)]


def test_a_change_that_takes_some_frames_is_no_change_from_one_to_the_next():
    """Each step is less than what counts, though all together are more."""
    stops = np.concatenate([np.zeros(14), 0.15 * np.arange(1, 5), np.full(14, 0.6)]) - 0.7
    assert not any(off.lasting for off in told(stops).off)


def test_a_step_that_the_frames_behind_it_do_not_keep_is_no_change_for_good():
    stops = np.zeros(40)
    stops[20:] = [0.36, *[0.22] * 19]
    assert not any(off.lasting for off in told(stops).off)


def test_a_frame_that_is_off_within_a_part_is_told_by_itself():
    stops = np.where(np.arange(30) < 20, 0.0, -0.6)
    stops[24] = -2.0
    part = tuple(n for n in range(21, 31) if n != 25)
    assert parts(told(stops)) == [(part, -0.6, True), ((25,), -1.4, False)]


def test_where_less_than_one_in_five_hundred_is_left_the_stops_are_the_fewest():
    """2^-9: as little as the noise of a dark frame looks like."""
    base = np.full(40, 0.25)
    stops = np.zeros(12)
    for more, at_least in ((-6.9, False), (-7.1, True)):
        stops[5] = more
        (off,) = light_of(range(1, 13), fields_of(stops, base=base)).off
        assert (off.at_least, round(off.stops, 1)) == (at_least, more)
    dim = light_of(range(1, 13), fields_of(np.where(np.arange(12) == 5, 1.0, 0.0), base=np.full(40, 0.0015)))
    assert not any(off.at_least for off in dim.off)  # a frame with more light is not short of it


def test_less_than_the_first_step_of_a_picture_is_nothing():
    stops = np.where(np.arange(12) == 5, -14.0, 0.0)
    (off,) = light_of(range(1, 13), fields_of(stops, base=np.full(40, 0.25))).off
    assert off.stops == pytest.approx(-10, abs=0.01)  # from 2^-2 to 2^-12


def test_twelve_fields_with_light_are_enough():
    def light(lit):
        base = np.where(np.arange(40) < lit, 0.2, 0.0005)
        return light_of(range(1, 13), fields_of(with_off({6: -1.0}, 12), base=base))

    assert [off.frames for off in light(12).off] == [(6,)]
    assert light(11).untold == tuple(range(1, 13))


def test_a_field_that_is_clipped_in_one_frame_is_brighter_there_and_in_both_tells_nothing():
    base = np.full(40, 0.3)
    fields = fields_of(with_off({6: 0.5}, 12), base=base)
    for one in fields:
        one[:15] = np.inf  # a highlight
    (off,) = light_of(range(1, 13), fields).off
    assert (off.frames, round(off.stops, 2)) == ((6,), 0.5)
    fields[5][15:] = np.inf
    (off,) = light_of(range(1, 13), fields).off
    assert (off.frames, off.stops) == ((6,), None)


def test_frames_that_cannot_be_compared_are_left_out_and_the_others_keep_their_numbers():
    fields = fields_of(with_off({12: -1.0}))
    fields[7] = np.full_like(fields[7], np.nan)
    light = light_of(range(101, 125), fields)
    assert light.untold == (108,)
    assert light.compared == tuple(n for n in range(101, 125) if n != 108)
    assert [off.frames for off in light.off] == [(112,)]


def test_two_neighbours_that_are_off_hide_nothing_and_more_than_five_frames_away_nothing_is_compared():
    """Light that is another every ten frames, by less than lasts: each frame is held against five on each side."""
    stops = 0.1 * (np.arange(40) // 10 % 2)
    light = told(stops)
    assert light.off == ()
    assert light.spread_stops < 0.11


def by_definition(stops) -> list[float]:
    """How far each frame lies from the middle of five on either side, a steady drift about its place taken off."""
    count = len(stops)
    steps = [*np.diff(stops)]
    drift = [median(steps[max(0, place - 8) : min(count - 1, place + 8)]) for place in range(count)]
    flat = np.asarray(stops) - np.cumsum(drift)
    found = []
    for place in range(count):
        before = [flat[place] - one for one in flat[max(0, place - 5) : place]]
        behind = [flat[place] - one for one in flat[place + 1 : place + 6]]
        sides = [median(side) for side in (before, behind) if side]
        if len(sides) == 1:
            sides.append((behind or before[::-1])[0])  # an end: its one neighbour as well
        less, more = sorted(sides, key=abs)
        agree = less * more > 0
        found.append(((less + more) / 2 if 2 * abs(less) > abs(more) else less) if agree else 0.0)
    return found


@pytest.mark.parametrize("seed", range(12))
def test_the_stops_are_those_of_the_definition(seed):
    rng = np.random.default_rng([71, seed])
    count = int(rng.integers(6, 40))
    stops = np.cumsum(rng.normal(0, 0.05, count)) + rng.normal(0, 0.05, count)
    stops[rng.integers(count)] -= 1.0
    stops -= stops.max()
    assert [*told(stops).stops.values()] == pytest.approx(by_definition(stops), abs=1e-5)


def test_a_lamp_that_warms_up_is_no_first_frame_that_is_off():
    """Over some frames its change adds up: from the first to the next one it is less than counts."""
    assert told(-0.65 * np.exp(-np.arange(30) / 3)).off == ()
    assert told(-0.65 * np.exp(-np.arange(30) / 3)[::-1]).off == ()
