"""Limit switches, deadman, motor supply, resets, watchdog, noise: what must stop the simulated board does."""

from __future__ import annotations

import itertools
import random
import time

import pytest
from firmware.bench import (
    CLOCK_HZ,
    HIGHEST_SPEED,
    SEEK_SPEED,
    SLOW_ACCELERATION,
    STOP,
    STOP_AT_ONCE,
    Host,
    SimulatedBoard,
    framed,
)

pytestmark = pytest.mark.campaign

# Samples every 0.1 ms: seen as open after 0.3 to 0.4 ms (protocol page: 0.3 ms), and one interrupt more.
TRIP_S = 0.00045


@pytest.mark.parametrize(("side", "sign"), [("low", -1), ("high", 1)])
@pytest.mark.parametrize("speed", [200, 4800, HIGHEST_SPEED])
def test_a_limit_switch_ends_the_pulses(board: SimulatedBoard, host: Host, side: str, sign: int, speed: int) -> None:
    board.do("carriage 0 -1500 1500")
    host.ready(speed=speed, acceleration=50_000)
    board.forget()
    host.order(f"move {sign * 3000}")
    trust, position, ended = host.rest()
    assert (trust, ended) == ("lost", side)
    assert 1500 <= abs(int(position)) <= 1500 + speed * TRIP_S + 1
    assert len(board.log("step")) == abs(int(position))
    low, high, *rest = host.ask("state")[1:]
    assert (low, high) == (("hit", "free") if side == "low" else ("free", "hit"))
    assert rest == ["on", "held", "void", "stopped"]
    # Only away from it, and only once the latch is cleared.
    host.order("clear")
    here = int(position)
    assert host.ask(f"jog {here + sign * 100}") == ["no", "switch"]
    host.order(f"jog {here - sign * 400}")
    assert host.rest()[2] == "arrived"
    board.run_for(0.03)
    assert host.ask("state")[1:3] == ["free", "free"]


def test_a_cut_wire_stops_the_rail(board: SimulatedBoard, host: Host) -> None:
    host.ready(speed=1000)
    board.do("pace 5")
    host.order("move 20000")
    board.do("wire high cut")
    trust, _, ended = host.rest()
    assert (trust, ended) == ("lost", "high")
    board.do("wire low cut")
    board.run_for(0.01)
    host.order("clear")
    board.forget()
    assert host.ask("jog 100") == ["no", "switch"]
    assert host.ask("jog -100") == ["no", "switch"]
    assert host.ask("seek low") == ["no", "switch"]
    assert board.log("step") == []


def test_a_spike_shorter_than_the_trip_time_is_no_hit(board: SimulatedBoard, host: Host) -> None:
    """One pulse at full speed lasts 0.1 ms; the switch opens for two."""
    host.ready(speed=HIGHEST_SPEED, acceleration=100_000)
    board.do("carriage 0 -100000 100000")
    board.do("blink 1000 2")
    host.order("move 3000")
    assert host.rest() == ["known", "3000", "arrived"]


def test_a_switch_reads_clear_only_after_20_ms(board: SimulatedBoard, host: Host) -> None:
    host.open()
    board.do("pace 0.2")
    took_s = []
    for _ in range(5):  # a busy computer only adds to it: the quickest of five counts
        board.do("wire low cut")
        board.run_for(0.001)
        assert host.ask("state")[1] == "hit"
        board.do("wire low whole")
        began = board.stats()["cycle"]
        while host.ask("state")[1] == "hit":
            pass
        took_s.append((board.stats()["cycle"] - began) / CLOCK_HZ)
    assert 0.020 < min(took_s) < 0.020 + 2 * 0.011  # a question just before, and the next: 11 ms each on the line


@pytest.mark.parametrize(("side", "sign"), [("low", -1), ("high", 1)])
@pytest.mark.parametrize("start", [0, 1400, 1510])
def test_seeking_finds_the_edge_and_stands_clear_of_it(
    board: SimulatedBoard, host: Host, side: str, sign: int, start: int
) -> None:
    board.do(f"carriage {sign * start} -1500 1500")
    board.run_for(0.03)
    host.open()
    host.order("deadman 60000")
    board.forget()
    host.order(f"seek {side}")
    trust, position, ended = host.rest()
    assert (trust, ended) == ("lost", "found")  # seeking does not make a place known
    edge = int(host.ask("edge")[1])
    # Counts start at 0 where the carriage began; the switch closes at one microstep short of 1500 seen from the middle.
    assert edge == sign * (1499 - start)
    assert host.ask("state")[1:3] == ["free", "free"]
    assert sign * (edge - int(position)) > 0
    furthest = max(sign * event.value for event in board.log("step"))
    overtravel = SEEK_SPEED**2 / (2 * SLOW_ACCELERATION) + SEEK_SPEED * TRIP_S + 2
    assert furthest <= max(1500, start) + overtravel


def test_seeking_again_finds_the_same_edge(board: SimulatedBoard, host: Host) -> None:
    board.do("carriage 0 -800 5000")
    host.open()
    host.order("deadman 60000", "seek low")
    host.rest()
    edge = host.ask("edge")
    for jog in (300, 7, 1111):
        host.order(f"jog {int(host.where()[2]) + jog}")
        host.rest()
        host.order("seek low")
        assert host.rest()[2] == "found"
        assert host.ask("edge") == edge


def test_the_deadman_slows_the_rail_and_keeps_its_position(board: SimulatedBoard, host: Host) -> None:
    speed, acceleration = 2000, 10_000
    host.ready(speed=speed, acceleration=acceleration)
    host.order("deadman 400")
    board.do("pace 1")
    board.forget()
    host.order("move 50000")
    time.sleep(1.2)
    steps = board.log("step")
    assert host.where() == ["rest", "known", str(len(steps)), "deadman"]
    # 0.4 s from the request, then the ramp down: 0.4 s + v/a; the first pulse is sqrt(2/a) after the request.
    took_s = steps[-1].time_s - steps[0].time_s
    assert took_s == pytest.approx(0.4 + speed / acceleration - (2 / acceleration) ** 0.5, abs=0.02)
    assert host.ask("move 0") == ["no", "stopped"]
    assert not board.log("enable")
    host.order("clear", "move 0")
    assert host.rest() == ["known", "0", "arrived"]


def test_questions_feed_the_deadman(board: SimulatedBoard, host: Host) -> None:
    host.ready(speed=2000)
    host.order("deadman 400")
    board.do("pace 1")
    host.order("move 3000")
    while host.where()[0] != "rest":
        time.sleep(0.1)
    assert host.rest() == ["known", "3000", "arrived"]


def test_the_deadman_opens_the_contacts_of_a_long_exposure(board: SimulatedBoard, host: Host) -> None:
    host.ready()
    host.order("shutter 5000 0", "watch 5000 0", "deadman 500")
    board.do("pace 1")
    board.forget()
    host.order("fire 1 0")
    time.sleep(0.8)
    closed, opened = board.log("shutter")
    assert opened.time_s - closed.time_s == pytest.approx(0.5, abs=0.01)
    assert host.ask("shot")[1:] == ["1", "cut", "unwired"]
    assert host.ask("state")[-1] == "stopped"
    assert host.where()[1:] == ["known", "0", "none"]


def test_motor_supply_gone_in_mid_move(board: SimulatedBoard, host: Host) -> None:
    """A board that lives on USB would go on counting while the motor is dead."""
    speed = 4800
    host.ready(speed=speed)
    board.do("gone_at 1500")
    board.forget()
    host.order("move 5000")
    trust, position, ended = host.rest()
    assert (trust, ended) == ("lost", "supply")
    # the page: after 5 ms, which is 24 pulses, and one more or less falls in by chance
    assert 1500 + speed * 0.005 - 1 <= int(position) <= 1500 + speed * 0.0053 + 1
    assert len(board.log("step")) == int(position)
    assert host.ask("clear") == ["no", "supply"]
    assert host.ask("state")[3] == "gone"
    assert host.ask("declare 0") == ["no", "supply"]
    board.do("supply on")
    board.run_for(0.01)
    assert host.ask("state")[3:] == ["on", "held", "void", "stopped"]  # nothing by itself
    host.order("clear")
    assert host.ask("move 0") == ["no", "lost"]


@pytest.mark.parametrize(
    ("supply_mv", "told"), [(12_000, "on"), (9_900, "on"), (9_300, "gone"), (7_500, "gone"), (0, "gone")]
)
def test_a_supply_below_four_fifths_is_gone(board: SimulatedBoard, host: Host, supply_mv: int, told: str) -> None:
    """Drivers forget their phase at 7 to 8 V (common practice, no source); one of 256 steps is 63 mV of the supply."""
    host.open()
    board.do(f"supply {supply_mv}")
    board.run_for(0.02)
    assert host.ask("state")[3] == told


def test_motor_supply_gone_during_an_exposure(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 1")
    host.ready()
    host.order("shutter 1000 0", "watch 1000 0", "fire 1 0")
    board.do("supply gone")
    board.run_for(0.02)
    assert host.ask("shot")[1:] == ["1", "cut", "unwired"]
    assert [event.value for event in board.log("shutter")][-2:] == [1, 0]


def test_a_reset_in_mid_run_is_told_and_moves_nothing(board: SimulatedBoard, host: Host) -> None:
    host.ready(speed=2000)
    board.do("pace 5")
    boot = host.boot
    host.order("move 20000")
    board.do("reset 0")
    board.run_for(0.1)
    steps = len(board.log("step"))
    board.run_for(0.1)
    assert len(board.log("step")) == steps
    assert host.ask("move 0") == ["no", "boot", f"{boot + 1:04X}"]
    assert host.notices[-1] == f"note {boot + 1:04X} boot bench"
    assert 1 not in [event.value for event in board.log("enable")]  # never let go; the pull-down holds it in a reset
    host.open()
    assert host.where() == ["rest", "lost", "0", "none"]
    assert host.ask("move 0") == ["no", "lost"]
    assert len(board.log("step")) == steps


def test_a_reset_opens_the_contacts(board: SimulatedBoard, host: Host) -> None:
    host.ready()
    host.order("shutter 10000 0", "watch 10000 0", "fire 1 0")
    board.do("reset 0")
    board.run_for(0.1)
    assert board.log("shutter")[-1].value == 0
    assert board.log("focus")[-1].value == 0


def test_no_boot_number_comes_twice_whenever_a_reset_falls(board: SimulatedBoard, host: Host) -> None:
    """Also while the number is being written, which takes some 14 ms of each start."""
    seen = [host.boot]
    for delay_us in range(500, 20_000, 650):
        board.do(f"reset {delay_us}")
        board.run_for(0.08)
        host.open()
        seen.append(host.boot)
    assert all(a < b <= a + 2 for a, b in itertools.pairwise(seen)), seen


def test_boot_notice_comes_within_two_seconds(board: SimulatedBoard, host: Host) -> None:
    board.do("pace 1")
    board.do("reset 0")
    words = host.line(2.0)
    assert words == ["note", f"{host.boot + 1:04X}", "boot", "bench"]


@pytest.mark.parametrize("fault", ["hang", "mute step", "mute tick"])
def test_the_watchdog_resets_a_controller_of_which_a_part_is_dead(
    board: SimulatedBoard, host: Host, fault: str
) -> None:
    host.ready(speed=2000)
    board.do("pace 10")
    host.order("move 100000")
    board.forget()
    board.do(fault)
    board.run_for(1.0)
    resets = board.log("reset")
    assert len(resets) == 1
    after = [event for event in board.log("step") if event.cycle > resets[0].cycle]
    assert after == []
    assert host.ask("where")[:2] == ["no", "boot"]


def test_garbage_moves_nothing_and_ends_with_the_line(board: SimulatedBoard, host: Host) -> None:
    """Bytes of every value but the two stops; the next whole line is answered."""
    noise = random.Random(5)
    host.ready()
    board.forget()
    sane = [byte for byte in range(256) if byte not in (STOP[0], STOP_AT_ONCE[0])]
    for _ in range(300):
        host.send(bytes(noise.choices(sane, k=noise.randrange(1, 200))))
        if noise.random() < 0.3:
            host.send(b"\n")
            assert host.where() == ["rest", "known", "0", "none"]
    # Requests with one bit turned, which a check code of 16 bits always catches.
    for number in range(300):
        host.sequence += 1
        line = bytearray(framed(f"ask {host.boot:04X} {host.session:08X} {host.sequence:08X} move {number + 1}"))
        line[noise.randrange(len(line) - 1)] ^= 1 << noise.randrange(7)
        host.send(bytes(line) + b"\n")
    assert host.where() == ["rest", "known", "0", "none"]
    assert [event.what for event in board.log() if event.what != "received"] == []
