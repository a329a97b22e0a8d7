"""Late, doubled and foreign lines: whatever comes out of the past of the line, limits hold and a shot fires once."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from stacker.rail.clock import VirtualClock
from stacker.rail.framing import framed, unframed
from stacker.rail.simulated.board import Board
from stacker.rail.simulated.options import SimulatedOptions

SESSIONS = ["AAAA0001", "BBBB0002", "CCCC0003"]


class Hosts:
    """Three hosts one after the other on one board, and every line that any of them ever sent."""

    def __init__(self):
        self.clock = VirtualClock()
        self.board = Board(SimulatedOptions(exposure_s=0.005), self.clock)
        self.sent: list[bytes] = []
        self.sequence = dict.fromkeys(SESSIONS, 0)
        self.present = "00000000"
        self.granted: dict[int, tuple[int, int]] = {}

    def ask(self, session, verb):
        self.sequence[session] += 1
        line = framed(f"ask {self.board.state.boot:04X} {session} {self.sequence[session]:08X} {verb}")
        self.sent.append(line)
        return self.send(line)

    def send(self, line):
        self.board.write(line)
        self.clock.sleep(0.02)
        replies = [unframed(reply) for reply in self.board.read(1000).split(b"\n") if reply]
        return replies[-1][3:] if replies and replies[-1] and replies[-1][0] == "say" else []


@given(st.data())
@settings(max_examples=80)
def test_no_restart_and_no_late_line_moves_beyond_the_limits_or_fires_a_shot_twice(data):
    hosts = Hosts()
    board = hosts.board
    ranges: dict[str, tuple[int, int]] = {}
    started = 0
    for _ in range(data.draw(st.integers(5, 40))):
        session = data.draw(st.sampled_from(SESSIONS))
        act = data.draw(st.sampled_from(["open", "limits", "move", "fire", "replay", "replay", "wait", "reset", "jog"]))
        place = board.state.count
        if act == "open":
            if hosts.ask(session, f"open {board.state.session}") == ["ok"]:
                ranges.pop(session, None)
        elif act == "limits":
            middle = data.draw(st.integers(63_000, 65_000))
            if hosts.ask(session, f"limits {middle - 200} {middle + 200}") == ["ok"]:
                ranges[session] = (middle - 200, middle + 200)
        elif act == "move":
            hosts.ask(session, f"move {data.draw(st.integers(62_500, 65_500))}")
        elif act == "jog":
            hosts.ask(session, f"jog {place + data.draw(st.integers(-2000, 2000))}")
        elif act == "fire":
            hosts.ask(session, f"fire {data.draw(st.integers(1, 6))} {place}")
        elif act == "replay" and hosts.sent:
            hosts.send(data.draw(st.sampled_from(hosts.sent)))
        elif act == "wait":
            hosts.clock.sleep(data.draw(st.floats(0, 3)))
        elif act == "reset" and data.draw(st.integers(0, 4)) == 0:
            board.advance()
            board.reset()
        board.advance()
        motions = [event for event in board.events if event["event"] == "start"]
        for motion in motions[started:]:
            # a motion began: the limits in force bound it, or it was a jog of 1 mm at most
            limits = board.state.limits or ranges.get(board.state.session)
            inside = limits is not None and limits[0] <= motion["to"] <= limits[1]
            assert inside or abs(motion["to"] - motion["from"]) <= board.options.per_mm
        started = len(motions)
    fired = [event for event in board.events if event["event"] in ("contact", "boot") and event.get("closed", True)]
    since_boot: list[int] = []
    for event in fired:
        if event["event"] == "boot":
            since_boot = []
        else:
            assert event["shot"] not in since_boot
            assert all(event["shot"] > shot for shot in since_boot)
            since_boot.append(event["shot"])


@given(st.lists(st.binary(max_size=70), max_size=12))
def test_garbage_moves_nothing_fires_nothing_and_the_board_goes_on_answering(chunks):
    hosts = Hosts()
    hosts.ask("AAAA0001", "open 00000000")
    hosts.ask("AAAA0001", "limits 0 128000")
    for chunk in chunks:
        hosts.board.write(chunk)
        hosts.clock.sleep(0.01)
    hosts.board.write(b"\n")
    hosts.clock.sleep(0.05)
    hosts.board.discard()
    assert hosts.ask("AAAA0001", "where")[:2] == ["ok", "rest"]
    assert {event["event"] for event in hosts.board.events} <= {"stop"}
