import math
from itertools import pairwise

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.documents.loading import load_rail, load_request
from stacker.documents.pace import pace_of
from stacker.documents.templates import template
from stacker.motion.frame_clock import RELEASE_S, FrameClock, Pace, Wire, frame_times, move_times_s
from stacker.motion.move_time import move_time_s
from stacker.planning.planner import plan_of
from stacker.planning.timeline import Timeline


def rail_times_s(positions, *, direction, take_up=40):
    def move_s(microsteps):
        return move_time_s(microsteps * 0.5e-3, speed_mm_s=3.0, acceleration_mm_s2=15.0)

    return move_times_s(positions, direction=direction, take_up=take_up, move_s=move_s, wire=Wire())


def timeline(move_s, *, exposure_s, raw_mb=None, write_mb_s=None, **pace):
    move_s = np.asarray(move_s)
    write_s = None if raw_mb is None or write_mb_s is None else raw_mb / write_mb_s
    known = {key: value for key, value in pace.items() if value is not None}
    delay_s = known.pop("mirror_s", 0.0) + known.pop("lag_s", 0.0)
    exposures_s = np.broadcast_to(exposure_s, move_s.shape).tolist()
    return Timeline.of(list(frame_times(move_s.tolist(), exposures_s, Pace(write_s=write_s, delay_s=delay_s, **known))))


def leg_s(microsteps):
    """A move too short for full speed (0.6 mm, 1200 microsteps): 2 sqrt(L/a)."""
    assert abs(microsteps) < 1200
    return 2 * math.sqrt(abs(microsteps) * 0.5e-3 / 15.0)


@pytest.mark.parametrize(
    ("positions", "direction", "legs"),
    # Derived by hand: beyond each stop and back wherever the screw may have been pushed the other way.
    [
        pytest.param([-100, 0, 100], 1, [[-140, 40], [100], [100]], id="front to back"),
        pytest.param([500, 400, 300], -1, [[540, -40], [-100], [-100]], id="back to front"),
        pytest.param([0, 100], 1, [[-40, 40], [100]], id="the first move takes up even at position 0"),
        pytest.param([0, 100, 20, 30], 1, [[-40, 40], [100], [-120, 40], [10]], id="a change of direction"),
        pytest.param([100, 100], 1, [[60, 40], []], id="no move at all"),
    ],
)
def test_legs_of_each_move(positions, direction, legs):
    found_s = rail_times_s(positions, direction=direction)
    assert found_s == pytest.approx([sum(map(leg_s, each)) for each in legs], rel=1e-12)


def test_no_take_up_without_backlash():
    found_s = rail_times_s([-100, 0], direction=1, take_up=0)
    assert found_s == pytest.approx([leg_s(100), leg_s(100)], rel=1e-12)


def test_long_moves_reach_full_speed():
    # Derived by hand: 3.6 mm at 3 mm/s and 15 mm/s^2 take 1.4 s; taking up 0.02 mm takes 2 sqrt(0.02/15).
    found_s = rail_times_s([7160], direction=-1)
    assert found_s[0] == pytest.approx(1.4 + 2 * math.sqrt(0.02 / 15), rel=1e-12)


def test_rail_alone():
    # Derived by hand: 1 s to move, 0.5 s to settle, 0.25 s mirror and lag, 0.1 s exposure, three times.
    found = timeline(np.full(3, 1.0), exposure_s=0.1, settle_s=0.5, mirror_s=0.2, lag_s=0.05)
    assert found.start_s.tolist() == pytest.approx([1.75, 3.6, 5.45], rel=1e-12)
    assert found.duration_s == pytest.approx(5.55, rel=1e-12)
    assert found.frame_s == pytest.approx(5.55 / 3, rel=1e-12)


def test_flash_recycling_rules():
    # Derived by hand: the flash fires when the shutter opens and is ready 4 s later; then mirror and lag.
    found = timeline(np.full(3, 1.0), exposure_s=0.1, settle_s=0.5, recycle_s=4.0, lag_s=0.05)
    assert found.start_s.tolist() == pytest.approx([1.55, 5.6, 9.65], rel=1e-12)


def test_a_flash_that_must_cool_rests_after_so_many_frames():
    times = timeline([0.1] * 7, exposure_s=0.01, settle_s=0.1, recycle_s=1.0, rest_after=3, rest_s=20.0)
    # frames 4 and 7 are the first after three flashes; the others follow a recycling time later
    assert np.diff(times.start_s).tolist() == pytest.approx([1, 1, 20, 1, 1, 20])


def test_a_rest_that_is_shorter_than_recycling_changes_nothing():
    plain, rested = (
        timeline([0.1] * 5, exposure_s=0.01, settle_s=0.1, recycle_s=4.0, **rest)
        for rest in ({}, {"rest_after": 2, "rest_s": 3.0})
    )
    assert rested.duration_s == plain.duration_s


def test_a_flash_that_may_be_hot_from_a_run_before_cools_first():
    clock = FrameClock(Pace(settle_s=0.1, recycle_s=1.0, rest_after=40, rest_s=60.0), fired_s=5.0)
    assert clock.due_s(6.0, 0.01) == 65.0


def test_a_full_buffer_rules():
    # Derived by hand: frames due each 1.5 s, files of 20 MB at 5 MB/s. Frame 1 opens at 1.5, is on the card at 5.5;
    # frame 3 needs its place in the buffer of two, opens then, and is on the card third, at 5.5 + 4 + 4.
    found = timeline(np.full(4, 1.0), exposure_s=0.0, settle_s=0.5, buffer_frames=2, raw_mb=20, write_mb_s=5)
    assert found.start_s.tolist() == pytest.approx([1.5, 3.0, 5.5, 9.5], rel=1e-12)
    assert found.duration_s == pytest.approx(17.5, rel=1e-12)


@pytest.mark.parametrize(
    "unknown",
    [
        {"buffer_frames": 1, "raw_mb": 20, "write_mb_s": None},
        {"buffer_frames": 1, "raw_mb": None, "write_mb_s": 5},
        {"recycle_s": None},
    ],
)
def test_what_is_not_known_is_not_waited_for(unknown):
    # Derived by hand: 1 s to move and 0.5 s to settle, then 0.25 s exposed; twice, with nothing to wait for.
    found = timeline(np.full(2, 1.0), exposure_s=0.25, settle_s=0.5, **unknown)
    assert found.start_s.tolist() == [1.5, 3.25]
    assert found.duration_s == 3.5


def test_without_a_known_buffer_only_the_end_waits_for_the_card():
    # Derived by hand: the first file is there to write from 1.75 s on, and 20 MB at 2 MB/s take 10 s, twice.
    found = timeline(np.full(2, 1.0), exposure_s=0.25, settle_s=0.5, raw_mb=20, write_mb_s=2)
    assert found.start_s.tolist() == [1.5, 3.25]
    assert found.duration_s == 1.75 + 10 + 10


TIMES = st.floats(0, 20)


@settings(max_examples=examples(300), deadline=None)
@given(
    frames=st.lists(st.tuples(TIMES, TIMES), min_size=1, max_size=30),
    waits_s=st.tuples(TIMES, TIMES, TIMES, TIMES),
    recycle_s=st.none() | TIMES,
    buffer_frames=st.none() | st.integers(1, 5),
)
def test_every_frame_opens_as_soon_as_nothing_holds_it(frames, waits_s, recycle_s, buffer_frames):
    move_s, exposure_s = (np.array(column) for column in zip(*frames, strict=True))
    settle_s, mirror_s, lag_s, write_s = waits_s
    found = timeline(
        move_s,
        exposure_s=exposure_s,
        settle_s=settle_s,
        recycle_s=recycle_s,
        mirror_s=mirror_s,
        lag_s=lag_s,
        buffer_frames=buffer_frames,
        raw_mb=write_s * 10,
        write_mb_s=10,
    )
    ends_s = found.start_s + exposure_s
    # The card as a queue, from the exposure ends alone: file k follows the longest wait before it.
    files = np.arange(len(frames))
    written_s = np.array([max(ends_s[j] + (k - j + 1) * write_s for j in range(k + 1)) for k in files])
    for i, start_s in enumerate(found.start_s):
        holds_s = [(ends_s[i - 1] if i else 0.0) + move_s[i] + settle_s]
        if recycle_s is not None and i:
            holds_s.append(found.start_s[i - 1] + recycle_s)
        if buffer_frames is not None and i >= buffer_frames:
            holds_s.append(written_s[i - buffer_frames])
        assert start_s == pytest.approx(max(holds_s) + mirror_s + lag_s, rel=1e-12, abs=1e-12)
        if buffer_frames is not None:
            # When a shutter opens there is room for the file (a nanosecond for the rounding of the sums).
            assert np.count_nonzero(written_s[:i] > start_s + 1e-9) < buffer_frames
    assert found.duration_s == pytest.approx(written_s[-1], rel=1e-12)
    assert found.frame_s == pytest.approx(found.duration_s / len(frames), rel=1e-15)


def test_the_rail_waits_for_a_contact_that_the_host_holds_and_the_card_does_not():
    # Derived by hand: due at 1 + 0.5, open at 1.8, closed at 1.9; the contact is let go 2 s after it closed at 1.5.
    found = timeline(
        np.array([1.0, 1.0]),
        exposure_s=0.1,
        settle_s=0.5,
        lag_s=0.3,
        contact_s=2.0,
        held=True,
        raw_mb=10,
        write_mb_s=100,
    )
    assert found.start_s.tolist() == pytest.approx([1.8, 3.5 + 1.0 + 0.5 + 0.3])
    assert found.duration_s == pytest.approx(3.5 + 1.0 + 0.5 + 2.0)
    shorter = timeline(np.array([1.0]), exposure_s=0.1, settle_s=0.5, lag_s=0.3, contact_s=0.2, held=True)
    assert shorter.duration_s == pytest.approx(1.9)


@pytest.mark.parametrize(
    ("shutter", "contact_s", "held"),
    [
        ("{via: rail, pulse_s: 0.4}", 0.4, False),  # the rail's controller opens the contact by itself
        ("{via: rts, port: ttyS0, pulse_s: 0.4}", 0.4, True),
        ("{via: dtr, port: ttyS0, pulse_s: 0.4}", 0.4, True),
        ("{via: dtr, port: ttyS0, pulse_s: 0.4, bulb: true}", 3.0, True),  # then it is held for the exposure
        ("{via: command, command: [shoot], pulse_s: 0.4}", 0.0, False),
        ("{via: manual, pulse_s: 0.4}", 0.0, False),
    ],
)
def test_who_holds_the_contact(tmp_path, shutter, contact_s, held):
    text = template("rail").replace("shutter: {via: rail, pulse_s: 0.2}", f"shutter: {shutter}")
    profile = load_rail(tmp_path / "bench.yaml", text=text).value
    camera = load_request("x.yaml", text=template("measured")).value.camera
    pace = pace_of(profile, camera, None)
    assert (pace.closed_s(3.0), pace.held) == (contact_s, held)


def starts_with(shutter, *overrides):
    """When the shutters of a plan open that waits for nothing but its contacts."""
    text = template("measured").replace("recycle_s: 2", "recycle_s: 0") + "rail:\n"
    rail = template("rail").replace("shutter: {via: rail, pulse_s: 0.2}", f"shutter: {shutter}")
    text += "".join(f"  {line}\n" for line in rail.splitlines())
    return np.array(plan_of(load_request("x.yaml", overrides, text=text).value, {}).frames.start_s)


def test_a_contact_that_is_closed_still_cannot_close_again():
    # and the camera must see that it was open
    assert np.diff(starts_with("{via: rail, pulse_s: 5}")) == pytest.approx(5.02, abs=1.1e-3)  # start_s has ms


def test_the_focus_contact_does_not_close_before_the_release_contact_of_the_frame_before_has_opened():
    # Derived by hand: a pulse of 2 s, 0.02 s open, 3 s of focus contact before the next pulse.
    starts_s = starts_with("{via: rail, pulse_s: 2, focus_s: 3}")
    assert np.diff(starts_s) == pytest.approx(5.02, abs=1.1e-3)
    # and the focus contact delays the first frame only where it outlasts the settling
    assert starts_with("{via: rail, pulse_s: 2, focus_s: 0.1}")[0] == starts_with("{via: rail, pulse_s: 2}")[0]


@settings(max_examples=examples(300), deadline=None)
@given(
    frames=st.lists(st.tuples(TIMES, TIMES), min_size=2, max_size=30),
    settle_s=TIMES,
    contact_s=st.floats(0.01, 10),
    focus_s=TIMES,
    delay_s=TIMES,
    bulb=st.booleans(),
    wire_s=st.floats(0, 0.3),
)
def test_contacts_are_never_asked_to_close_while_one_is_closed(
    frames, settle_s, contact_s, focus_s, delay_s, bulb, wire_s
):
    wire = Wire(leave_s=wire_s, arrive_s=wire_s, leg_s=wire_s, fire_s=wire_s, outcome_s=wire_s, over_s=wire_s)
    pace = Pace(settle_s=settle_s, contact_s=contact_s, focus_s=focus_s, delay_s=delay_s, bulb=bulb, wire=wire)
    times = list(frame_times(*zip(*frames, strict=True), pace))
    for one, after in pairwise(times):
        opens_again_s = one.opens_s - delay_s + (one.closes_s - one.opens_s if bulb else contact_s)
        assert after.opens_s - delay_s - focus_s >= opens_again_s + RELEASE_S - 1e-9
        assert after.leaves_s >= one.closes_s
        assert after.settled_s <= after.opens_s + 1e-9


def test_a_flash_that_may_have_fired_just_now_is_waited_for():
    assert FrameClock(Pace(settle_s=0.5, recycle_s=4.0), fired_s=10.0).due_s(10.0, 0.1) == 14.0
    assert FrameClock(Pace(settle_s=0.5, recycle_s=4.0)).due_s(10.0, 0.1) == 10.5
