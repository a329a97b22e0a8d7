import random
from dataclasses import replace

import pytest
from examples import examples
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rails import SETTINGS

from stacker.documents.rail_link import Link
from stacker.driving.bench import connect
from stacker.driving.jog import Jog, converse
from stacker.driving.jog_keys import HELP, KEYS, first_key
from stacker.errors import LinkError, Refusal, RunStopped
from stacker.rail.stops import StopOrder


class Bench:
    """A simulated rail at 40 mm with a person in front of it."""

    def __init__(self, options="", direction=1, rail=SETTINGS, index=1.0):
        self.stop_order = StopOrder.GO_ON
        url = f"sim://bench?time_scale=inf{options}"
        self.rail, _ = connect(Link(url=url), rail, lambda: self.stop_order)
        self.board = self.rail.controller._link._port.board
        self.jog = Jog(
            self.rail,
            direction=direction,
            take_back_stop=lambda: setattr(self, "stop_order", StopOrder.GO_ON),
            index=index,
        )

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.rail.controller.close()

    def say(self, *lines):
        """What comes of each line; a refusal is its text."""
        told = []
        for line in lines:
            try:
                told.append(self.jog.line(line))
            except Refusal as refusal:
                told.append(str(refusal))
        return told

    def events(self, *names):
        return [event for event in self.board.events if event["event"] in names]

    def place(self):
        return self.board.hardware.place()

    def assert_inside(self):
        for event in self.events("start"):
            assert SETTINGS.soft_low <= event["from"] <= SETTINGS.soft_high, event
            assert SETTINGS.soft_low <= event["to"] <= SETTINGS.soft_high, event
        for event in self.events("rest"):
            assert SETTINGS.soft_low <= event["counted"] <= SETTINGS.soft_high, event


def test_a_stack_is_marked_by_eye():
    with Bench() as bench:
        told = bench.say("+0.5", "front", "+2.5", "back", "to front")
        assert told[-1] == "at 40.5000 mm, step 0.1, front 40.5000, back 43.0000, depth 2.5000"
        assert bench.jog.values(rear=False) == {
            "subject.depth_mm": 2.5,
            "subject.depth_source": "rail",
            "subject.front_at_mm": 40.5,
        }
        assert bench.jog.values(rear=True) == {"subject.front_at_mm": 40.5}
        bench.assert_inside()


def test_behind_a_flat_face_the_depth_is_the_true_one():
    """By Snell's law a paraxial ray makes what lies d deep seem d / n deep: 2.5 mm of travel are 3.75 mm of n = 1.5."""
    with Bench(index=1.5) as bench:
        told = bench.say("front", "+2.5", "back")
        assert told[-1].endswith(", true depth 3.7500")
        assert bench.jog.values(rear=False)["subject.depth_mm"] == 3.75


@pytest.mark.parametrize("direction", [1, -1])
def test_every_mark_is_approached_as_a_run_does_with_the_play_taken_up(direction):
    with Bench("&backlash=24", direction=direction) as bench:
        bench.say("+0.5", "-0.2", "+0.3", "-0.4", "to 40.2")
        last = bench.events("start")[-1]
        assert (last["to"] - last["from"]) * direction > 0
        # The carriage follows the screw from below or above, 24 microsteps of play apart, never in between.
        assert bench.place() == round(40.2 * 1600) + (0 if direction > 0 else 24)


def test_a_mark_before_any_move_says_that_the_play_is_not_taken_up():
    with Bench() as bench:
        assert "the backlash is not taken up as in a run" in bench.say("front")[0]
        assert "play" not in bench.say("-", "+", "front")[-1]


def test_steps_are_bounded():
    with Bench() as bench:
        told = bench.say("step 0.05", "+", "step 1", "-", "step 1.1", "step 0", "step -1", "step 0.0001", "step x")
        assert told[1].startswith("at 40.0500 mm")
        assert told[3].startswith("at 39.0500 mm")
        assert all("a step is from 0.000625 mm (a microstep) to 1 mm" in line for line in told[4:8])
        assert told[8] == "found 'x'; write mm, as 0.5. Nothing moved."
        assert bench.say("+")[0].startswith("at 40.0500 mm")  # the step stayed


@pytest.mark.parametrize(
    "line",
    [
        "+nan",
        "+inf",
        "+1e3",
        "+0x10",
        "+1_0",
        "+٣",
        "+ 3",
        "3",
        "3,4",
        "+3,4",
        "to",
        "to to",
        "to nan",
        "move 3",
        "+1 2",
        "go",
    ],
)
def test_what_is_not_understood_moves_nothing(line):
    with Bench() as bench:
        (told,) = bench.say(line)
        assert told.endswith("Nothing moved.")
        assert not bench.events("start")


def test_a_decimal_comma_is_told_how_to_write_it():
    with Bench() as bench:
        assert bench.say("+3,4") == ["found '+3,4'; write +3.4. Nothing moved."]


def test_the_limits_are_told_before_anything_moves():
    with Bench() as bench:
        told = bench.say("to 1.99", "to 78.01", "+38.001", "-99999", "to 999999")
        assert told[0] == "1.990 mm is outside the soft limits, 2.000 to 78.000 mm. Nothing moved."
        assert not bench.events("start")
        assert [line.split(",")[0] for line in bench.say("to 2", "to 78")] == ["at 2.0000 mm", "at 78.0000 mm"]
        bench.assert_inside()


def speeds_mm_s(bench):
    """Speed of each motion [mm/s], from its length and time."""
    starts, rests = bench.events("start"), bench.events("rest")
    found = []
    for start, rest in zip(starts, rests, strict=True):
        way_mm, time_s = abs(start["to"] - start["from"]) / 1600, rest["time_s"] - start["time_s"]
        found.append((min(start["to"], start["from"]) / 1600, max(start["to"], start["from"]) / 1600, way_mm / time_s))
    return found


def test_slow_near_the_subject_and_quick_elsewhere():
    with Bench() as bench:
        bench.say("to 45")
        assert all(speed <= 1.0 for *_, speed in speeds_mm_s(bench))  # nobody knows where the subject is
        bench.say("front")
        before = len(bench.events("start"))
        bench.say("to 20", "to 50", "to 20")
        later = speeds_mm_s(bench)[before:]
        assert all(speed <= 0.5 for _, high, speed in later if high > 43.001)
        assert max(speed for _, high, speed in later if high <= 43.001) > 2.5  # the profile says 3 mm/s
        assert min(low for low, *_ in later) < 21


def test_a_back_before_the_front_is_not_marked_and_the_front_stays():
    with Bench() as bench:
        told = bench.say("+1", "front", "-0.5", "back")
        assert "the back would not be deeper than the front (41.0000 mm): not marked" in told[-1]
        assert bench.jog.values(rear=False) == {"subject.front_at_mm": 41.0}


def test_a_mark_that_is_set_anew_tells_the_one_before():
    with Bench() as bench:
        told = bench.say("+1", "front", "+2", "back", "-0.5", "front", "+2", "front")
        assert "; front was 41.0000" in told[5]
        assert "; front was 42.5000; the back is forgotten, it would not be deeper" in told[7]
        assert bench.jog.values(rear=False) == {"subject.front_at_mm": 44.5}


def test_a_lost_position_moves_nothing_until_the_scale_is_read():
    with Bench("&position=unknown") as bench:
        told = bench.say("+0.1", "+", "front", "to 40", "to front", "where")
        assert all("position lost: read the rail's scale" in line or "not marked" in line for line in told)
        assert not bench.events("start")
        assert bench.say("here 40", "+0.5")[1].startswith("at 40.5000 mm")
        assert "here is for a lost position" in bench.say("here 3")[0]


def test_a_lost_rail_creeps_at_the_persons_word_and_stays_lost():
    with Bench("&position=unknown") as bench:
        assert "'creep 0.5' moves it even so, slowly, 1 mm at most, and no soft limit applies" in bench.say("where")[0]
        before = bench.place()
        told = bench.say("creep 0.5", "creep -0.2", "+0.1", "front", "to 40")
        assert bench.place() == before + 480
        assert told[0].startswith("position lost (moved by +0.5000 mm since):\nread the rail's scale")
        assert all(line.startswith("position lost (moved by +0.3000 mm since):\n") for line in told[1:4])
        assert all(len(line) <= 80 for text in told for line in text.splitlines())
        assert "by at most 1 mm at a time" in bench.say("creep 1.01")[0]
        assert "write mm" in bench.say("creep far")[0]
        assert bench.place() == before + 480
        assert bench.say("here 40", "+0.5")[1].startswith("at 40.5000 mm")
        assert "type the distance alone" in bench.say("creep 0.5")[0]
        assert bench.events("start")[-1]["to"] == 64_800


def test_a_lost_rail_never_creeps_farther_than_its_travel():
    with Bench("&position=unknown", rail=replace(SETTINGS, travel=4000)) as bench:  # 2.5 mm
        told = bench.say("creep 1", "creep 1", "creep 0.6", "creep -1", "creep -1", "creep -0.5", "creep -0.1")
        refused = [number for number, line in enumerate(told) if "add up to more than its whole travel, 2.5 mm" in line]
        assert refused == [2, 6]
        assert len(bench.events("start")) == 5


def test_a_creeping_rail_stops_at_an_interrupt():
    with Bench("&position=unknown") as bench:
        before, sleep = bench.place(), bench.rail.clock.sleep

        def interrupted(seconds):
            bench.stop_order = (
                StopOrder.STOP if bench.events("start") and not bench.events("stop") else bench.stop_order
            )
            sleep(seconds)

        bench.rail.clock.sleep = interrupted
        lines = iter(["creep 1", "where"])
        told = []
        converse(bench.jog, lambda: next(lines, None), told.append)
        assert "stopped by hand" in told[1]
        assert before < bench.place() < before + 1600
        assert "position lost" in told[-1]


def test_an_interrupt_stops_the_move_and_the_person_goes_on():
    with Bench() as bench:
        feed = iter(["to 60", "where", "+0.5", "done"])
        told = []

        def read():
            line = next(feed)
            if line == "to 60":
                stop_at(bench, 42.0)
            return line

        converse(bench.jog, read, told.append)
        assert "stopped by hand." in told
        after = float(told[told.index("stopped by hand.") + 1].split()[1])
        assert 42 <= after < 43  # 1 mm/s and 15 mm/s^2 brake within 0.03 mm, and a poll is 0.5 s
        assert told[-2].startswith(f"at {after + 0.5:.4f} mm")
        bench.assert_inside()


def stop_at(bench, mm):
    """Have the person press Ctrl-C once, when the rail passes there."""
    usual = bench.rail._stop_order
    pressed = []

    def stop_order():
        if not pressed and bench.place() >= mm * 1600 and bench.board.hardware.state.motion is not None:
            pressed.append(mm)
            bench.stop_order = StopOrder.STOP
        return usual()

    for rail in (bench.rail, bench.jog._moves.rail):
        rail._stop_order = stop_order


def test_a_switch_that_is_hit_loses_the_position_and_the_marks():
    with Bench("&high_switch=72000") as bench:
        feed = iter(["+0.5", "front", "to 50", "+1", "here 44.9", "-1", "done"])
        told = []
        converse(bench.jog, lambda: next(feed), told.append)
        assert any("limit switch at the high end was hit" in line for line in told)
        assert any("position lost" in line for line in told)
        assert bench.jog.front is None
        assert told[-1].startswith("at 43.9000 mm")


def test_a_port_that_goes_ends_it():
    with Bench("&unplug_at_s=3") as bench, pytest.raises(LinkError):
        converse(bench.jog, lambda: "+1", lambda _: None)


@pytest.mark.parametrize(
    ("typed", "key"),
    [
        ("+++++", "+"),
        ("\x1b[C\x1b[C", "\x1b[C"),
        ("\x1b[D", "\x1b[D"),
        ("f+", "f"),
        ("x+", "x"),
        ("", ""),
        ("\xe0M", "\xe0M"),
    ],
)
def test_of_keys_that_piled_up_the_first_counts_alone(typed, key):
    assert first_key(typed) == key


def test_every_key_is_a_line_that_is_understood():
    with Bench() as bench:
        told = bench.say(*(line for line in KEYS.values() if line != "done"))
        assert not any("not understood" in line for line in told)
        assert bench.say("help") == [HELP]


numbers = st.one_of(
    st.floats(-100, 100).map(lambda x: f"{x:.3f}"), st.integers(-200_000, 200_000).map(str), st.floats().map(str)
)
typed = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["+", "-", "front", "back", "to front", "to back", "where", "help", "here 50", "step 1", "step 0.3"]
    ),
    numbers,
    numbers.map(lambda x: f"+{x}"),
    numbers.map(lambda x: f"-{x}"),
    numbers.map(lambda x: f"to {x}"),
    numbers.map(lambda x: f"step {x}"),
)


def type_at_it(lines, seed, direction):
    chance = random.Random(seed)
    with Bench("&backlash=20", direction=direction) as bench:
        for line in lines:
            if chance.random() < 0.2:
                stop_at(bench, chance.uniform(2, 78))
            try:
                bench.jog.line(line)
            except Refusal:
                pass
            except RunStopped:
                bench.jog.recover()
        bench.assert_inside()
        return len(bench.events("start"))


@settings(max_examples=examples(120), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(lines=st.lists(typed, max_size=12), seed=st.integers(0, 9999), direction=st.sampled_from([1, -1]))
def test_whatever_is_typed_the_rail_stays_within_its_limits(lines, seed, direction):
    type_at_it(lines, seed, direction)


@pytest.mark.campaign
@settings(max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(lines=st.lists(typed, max_size=40), seed=st.integers(0, 9999), direction=st.sampled_from([1, -1]))
def test_whatever_is_typed_for_long_the_rail_stays_within_its_limits(lines, seed, direction):
    type_at_it(lines, seed, direction)


def test_the_fuzz_moves_the_rail_to_both_ends():
    # Not vacuous: such lines do move it, and to the very limits.
    assert type_at_it(["to 2", "to 78", "+5", "-3", "to 40"], 1, 1) > 5


def limits_of(bench):
    return bench.jog._moves.rail.controller.bounds


LIMITS = (SETTINGS.soft_low, SETTINGS.soft_high)


def test_whatever_happened_the_controller_has_the_limits_again():
    with Bench() as bench:
        bench.say("+0.5")
        assert limits_of(bench) == LIMITS
        feed = iter(["to 60", "where", "done"])

        def read():
            line = next(feed)
            if line == "to 60":
                stop_at(bench, 42.0)
            return line

        converse(bench.jog, read, lambda _: None)
        assert limits_of(bench) == LIMITS
    with Bench("&position=unknown") as bench:
        bench.say("creep 0.5")
        assert limits_of(bench) != LIMITS  # nobody knows where they would be
        bench.say("here 40")
        assert limits_of(bench) == LIMITS


def test_off_a_switch_it_creeps_and_has_the_limits_again():
    with Bench("&high_switch=72000") as bench:
        converse(bench.jog, iter(["to 50", "here 45.1", "-0.4", "done"]).__next__, lambda _: None)
        assert limits_of(bench) == LIMITS
        assert bench.events("start")[-1]["to"] < 72_000


def test_where_it_stands_already_nothing_moves_and_no_word_of_the_play_changes():
    with Bench() as bench:
        before = bench.say("to 45")[0]
        moves = len(bench.events("start"))
        assert bench.say("to 45")[0] == before
        assert len(bench.events("start")) == moves


def test_who_no_longer_answers_after_a_stop_ends_it():
    with Bench() as bench:
        bench.jog._moves.rail.come_to_rest = lambda: None
        with pytest.raises(LinkError, match="no longer answers"):
            bench.jog._moves.recover()


@pytest.mark.parametrize("direction", [1, -1])
def test_at_a_limit_a_stop_is_come_to_from_inside_and_said_not_to_be_as_in_a_run(direction):
    """Where the take-up would leave the soft limits; at the other one there is room for it."""
    with Bench(direction=direction) as bench:
        low, high = SETTINGS.mm(SETTINGS.soft_low), SETTINGS.mm(SETTINGS.soft_high)
        for place, room in ((low, direction < 0), (high, direction > 0)):
            told = bench.say("to 40", f"to {place}", "front")
            assert told[1].startswith(f"at {place:.4f} mm")
            assert bench.place() == SETTINGS.microsteps(place)
            assert bench.jog._moves.as_in_a_run == room
        bench.assert_inside()
