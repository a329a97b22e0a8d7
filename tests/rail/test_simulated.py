"""The simulated rail is no kinder than a real one: time, play, stalls, memory, faults."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.rail.clock import ScaledClock, SystemClock, VirtualClock, clock_for
from stacker.rail.line import LineController
from stacker.rail.link import open_link
from stacker.rail.rail import Rail
from stacker.rail.settings import RailSettings
from stacker.rail.simulated.mechanics import Carriage
from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.trapezoid import trapezoid
from stacker.rail.simulated.wire import distorted

SETTINGS = RailSettings(
    microsteps_per_mm=1600.0,
    microsteps_per_turn=3200,
    travel=128_000,
    soft_low=0,
    soft_high=128_000,
    speed=4800,
    acceleration=24_000,
    take_up=30,
)


def rail_on(options):
    link = open_link(f"sim://x?time_scale=inf&{options}", 115_200)
    controller = LineController(link)
    controller.connect()
    controller.take_over()
    rail = Rail(controller, SETTINGS)
    rail.set_up()
    return rail, link._port.board


@given(st.integers(1, 60_000), st.integers(50, 20_000), st.integers(100, 200_000))
def test_a_motion_takes_the_time_of_its_speed_profile(distance, speed, acceleration):
    # distance over speed plus speed over acceleration, or 2 sqrt(L/a): any textbook of kinematics
    motion = trapezoid(0.0, 0, distance, speed, acceleration)
    reaches = distance >= speed**2 / acceleration
    expected_s = distance / speed + speed / acceleration if reaches else 2 * math.sqrt(distance / acceleration)
    assert motion.end_s == pytest.approx(expected_s, rel=1e-9)
    assert motion.position(motion.end_s) == distance
    assert motion.position(motion.end_s / 2) == pytest.approx(distance / 2, abs=1)  # by symmetry


@given(st.integers(-60_000, 60_000), st.floats(0, 1))
def test_speed_and_acceleration_are_never_exceeded_and_position_only_advances(target, part):
    motion = trapezoid(1.0, 0, target, 4800, 24_000)
    at_s = 1.0 + part * (motion.end_s - 1.0)
    assert motion.speed(at_s) <= 4800 + 1e-6
    assert motion.speed(at_s) <= 24_000 * (at_s - 1.0) + 1e-6
    assert abs(motion.position(at_s)) <= abs(motion.position(at_s + 0.001))


@given(st.integers(1, 60_000), st.floats(0, 1))
def test_braking_takes_the_deceleration_distance_and_never_passes_the_target(target, part):
    motion = trapezoid(0.0, 0, target, 4800, 24_000)
    at_s = part * motion.end_s
    braked = motion.braked(at_s, 24_000)
    speed = motion.speed(at_s)
    assert braked.target <= target
    # a part of a microstep is already behind the counted position, and the end is rounded up to a whole one
    assert 0 <= braked.target - motion.position(at_s) < speed**2 / (2 * 24_000) + 2
    assert braked.end_s - at_s == pytest.approx(speed / 24_000)


def test_backlash_leaves_the_carriage_behind_when_the_direction_changes():
    options = SimulatedOptions(backlash=24)
    carriage = Carriage(place=1000.0)
    assert carriage.at(1500, options) == 1500
    carriage.place = 1500.0
    assert carriage.at(1480, options) == 1500  # within the play: nothing moves
    assert carriage.at(1400, options) == 1424


def test_an_obstacle_stalls_the_carriage_and_the_count_goes_on():
    rail, board = rail_on("stall_at=64100")
    rail.narrow(63_000, 66_000)
    rail.move(65_000)
    assert rail.controller.where().position == 65_000
    assert board.hardware.place() == 64_100
    rail.move(64_900)  # the motor turns back from where it stalled
    assert board.hardware.place() == 64_000


def test_lost_steps_change_the_true_position_alone():
    rail, board = rail_on("lose=1:7")
    rail.narrow(63_000, 66_000)
    rail.move(65_000)
    assert rail.controller.where().position == 65_000
    assert board.hardware.place() == 64_993


def test_a_declared_position_is_a_name_and_moves_nothing():
    rail, board = rail_on("")
    rail.controller.declare(5)
    assert board.hardware.place() == 64_000
    rail.narrow(0, 2000)
    rail._last = None
    rail.move(1005)
    assert board.hardware.place() == 65_000


def test_position_and_boot_number_outlive_the_host(tmp_path):
    url = f"state={tmp_path / 'rail.json'}"
    rail, _ = rail_on(url)
    rail.narrow(60_000, 70_000)
    rail.move(61_234)
    rail.controller.close()
    rail, _ = rail_on(url)
    where = rail.controller.where()
    assert (where.known, where.position) == (True, 61_234)
    rail.controller.close()
    rail, _ = rail_on(url + "&reset_on_open=always")
    assert not rail.controller.where().known
    assert rail.controller._boot == 2
    rail.controller.close()


def test_a_board_left_in_a_move_stops_by_its_deadman_and_remembers(tmp_path):
    url = f"state={tmp_path / 'rail.json'}&log={tmp_path / 'rail.log'}"
    rail, _ = rail_on(url)
    rail.narrow(0, 128_000)
    rail.controller.start_move(100_000)
    # no close: the host is gone; the file is as it was after the last byte
    rail, _ = rail_on(url)
    where = rail.controller.where()
    assert where.resting
    assert where.known
    assert 64_000 < where.position < 100_000
    log = [json.loads(line)["event"] for line in (tmp_path / "rail.log").read_text().splitlines()]
    assert log == ["open", "start", "deadman", "rest", "open"]


def test_the_log_of_two_lives_is_one_log_without_repeats(tmp_path):
    url = f"state={tmp_path / 'rail.json'}&log={tmp_path / 'rail.log'}"
    for target in (64_500, 64_000, 64_700):
        rail, _ = rail_on(url)
        rail.narrow(60_000, 70_000)
        rail.move(target)
    log = [json.loads(line) for line in (tmp_path / "rail.log").read_text().splitlines()]
    assert [event["to"] for event in log if event["event"] == "start"] == [64_500, 64_000, 64_700]
    times = [event["time_s"] for event in log]
    assert times == sorted(times)


def test_bytes_take_their_time_on_the_wire():
    rail, board = rail_on("baud=9600")
    before_s = board.state.now_s
    rail.controller._link.byte_s = 10 / 9600
    rail.controller.where()
    # 40 bytes and more there, 50 back, 10 bits each
    assert 0.08 <= rail.clock.now() - before_s <= 0.16


def test_faults_of_the_line_repeat_with_their_seed_and_differ_without():
    noisy = SimulatedOptions(damage=0.5, seed=3)
    line = b"say 5E1F90C2 00000003 ok 1234\n"
    same = [distorted(line, number, noisy) for number in range(200)]
    assert same == [distorted(line, number, noisy) for number in range(200)]
    assert same != [distorted(line, number, SimulatedOptions(damage=0.5, seed=4)) for number in range(200)]
    hurt = sum(pieces != [(0.0, line)] for pieces in same)
    assert 70 <= hurt <= 130  # half of 200, within four standard deviations of 7
    assert all(distorted(line, number, SimulatedOptions()) == [(0.0, line)] for number in range(20))


@pytest.mark.parametrize(
    ("query", "message"),
    [("sped=1", "no option 'sped'"), ("baud=fast", "is no int"), ("position=maybe", "one of known, unknown"),
     ("time_scale=0", "above 0"), ("time_scale=-1", "above 0"), ("sync=no", "one of wired, dead, stuck, none")],
)  # fmt: skip
def test_a_wrong_option_is_told(query, message):
    with pytest.raises(ValueError, match=message):
        SimulatedOptions.from_url(f"sim://bench?{query}")


def test_the_clocks():
    assert isinstance(clock_for(1), SystemClock)
    assert isinstance(clock_for(math.inf), VirtualClock)
    clock = ScaledClock(1000)
    before_s = clock.now()
    clock.sleep(5)
    assert 5 <= clock.now() - before_s < 5.2
    clock.sleep(-1)
    virtual = VirtualClock()
    virtual.sleep(3)
    virtual.sleep(-3)
    assert virtual.now() == 3


def test_a_fault_to_come_is_counted_from_this_opening(tmp_path):
    url = f"state={tmp_path / 'rail.json'}"
    rail, _ = rail_on(url)
    rail.controller.close()
    rail, board = rail_on(url + "&reset_at_s=5")
    assert rail.controller.where().known
    rail.clock.sleep(5)
    board.advance()
    assert not board.state.known
