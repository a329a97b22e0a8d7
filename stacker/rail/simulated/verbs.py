"""What the requests do: section 6 and 7 of the protocol page, a method a verb."""

from __future__ import annotations

import re
from collections.abc import Callable

from stacker.rail.simulated.hardware import FAR, Hardware
from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.state import State

NUMBER = re.compile(r"(0|-?[1-9][0-9]{0,9})\Z")
SESSION = re.compile(r"[0-9A-F]{8}\Z")
WORDY = ("open", "seek", "hold")  # their arguments are no numbers
TELLING = ("where", "state", "shot", "edge")  # change nothing


class Refused(Exception):
    """The word after ``no``."""


class Verbs:
    """The table of requests.

    Parameters
    ----------
    state, options, hardware
        The board's.
    """

    def __init__(self, state: State, options: SimulatedOptions, hardware: Hardware) -> None:
        self.state, self.options, self.hardware = state, options, hardware
        self.table: dict[str, tuple[int, Callable[..., str]]] = {
            "open": (1, self._open),
            "where": (0, self._where),
            "state": (0, self._state),
            "shot": (0, self._shot),
            "edge": (0, self._edge),
            "speed": (1, self._speed),
            "accel": (1, self._accel),
            "deadman": (1, self._deadman),
            "shutter": (2, self._shutter),
            "watch": (2, self._watch),
            "declare": (1, self._declare),
            "limits": (2, self._limits),
            "move": (1, self._move),
            "jog": (1, self._jog),
            "seek": (1, self._seek),
            "fire": (2, self._fire),
            "hold": (1, self._hold),
            "clear": (0, self._clear),
        }

    def act(self, verb: str, words: list[str]) -> str:
        """The reply after session and sequence to a request that may be answered."""
        if verb not in self.table:
            return "no verb"
        count, act = self.table[verb]
        if len(words) != count or (verb not in WORDY and not all(map(NUMBER.match, words))):
            return "no words"
        try:
            return f"ok {act(*words)}".rstrip()
        except Refused as refused:
            return f"no {refused}"

    # -- conditions

    def _number(self, word: str, low: int, high: int) -> int:
        if not low <= int(word) <= high:
            raise Refused("range")
        return int(word)

    def _at_rest(self) -> None:
        if self.state.motion is not None or self.state.shot_state == "firing":
            raise Refused("busy")

    def _supplied(self) -> None:
        if self.options.supply == "sensed" and not self.state.supply:
            raise Refused("supply")

    def _able(self) -> None:
        if self.state.latched:
            raise Refused("stopped")
        self._at_rest()
        self._supplied()
        if not self.state.held:
            raise Refused("unheld")

    def _hit(self) -> list[bool]:
        return [self.hardware.switches.hit("low"), self.hardware.switches.hit("high")]

    def _way_free(self, target: int) -> None:
        ahead = self._hit()
        toward = target != self.state.count and ahead[target > self.state.count]
        if all(ahead) or toward:
            raise Refused("switch")

    # -- verbs (section 6)

    def _open(self, old: str) -> str:
        s = self.state
        if not SESSION.match(old):
            raise Refused("words")
        if old != s.session:
            raise Refused(f"session {s.session}")
        s.limits = None
        self.hardware.brake("stop")
        self.hardware.release()
        return ""

    def _where(self) -> str:
        s = self.state
        motion = "rest" if s.motion is None else "slows" if s.slowing and s.why != "found" else "moves"
        return f"{motion} {'known' if s.known else 'lost'} {self.hardware.counted()} {s.ended}"

    def _state(self) -> str:
        s, switches = self.state, self.hardware.switches
        low, high = (
            "none" if not (switches.fitted(end) or s.pressed.get(end)) else "hit" if switches.hit(end) else "free"
            for end in ("low", "high")
        )
        supply = "none" if self.options.supply == "none" else "on" if s.supply else "gone"
        limits = "void" if s.limits is None else "set"
        return f"{low} {high} {supply} {'held' if s.held else 'off'} {limits} {'stopped' if s.latched else 'clear'}"

    def _shot(self) -> str:
        s = self.state
        return f"{s.shot} {s.shot_state} {s.sync}"

    def _edge(self) -> str:
        if self.state.edge is None:
            raise Refused("lost")
        return str(self.state.edge)

    def _speed(self, word: str) -> str:
        self._at_rest()
        self.state.speed = self._number(word, 1, self.options.top_speed)
        return ""

    def _accel(self, word: str) -> str:
        self._at_rest()
        self.state.acceleration = self._number(word, self.options.least_acceleration, self.options.top_acceleration)
        return ""

    def _deadman(self, word: str) -> str:
        self._at_rest()
        self.state.deadman_ms = self._number(word, 400, 60_000)
        return ""

    def _shutter(self, closed: str, focus: str) -> str:
        self._at_rest()
        both = self._number(closed, 1, 3_600_000), self._number(focus, 0, 60_000)
        self.state.closed_ms, self.state.focus_ms = both
        return ""

    def _watch(self, busy: str, sync: str) -> str:
        self._at_rest()
        both = self._number(busy, 0, 3_600_000), self._number(sync, 0, 60_000)
        self.state.busy_ms, self.state.sync_ms = both
        return ""

    def _declare(self, word: str) -> str:
        s = self.state
        self._at_rest()
        if not s.held:
            raise Refused("unheld")
        self._supplied()
        position = self._number(word, -FAR, FAR)
        s.carriage.slip += s.count - position
        s.count, s.known, s.limits = position, True, None
        return ""

    def _limits(self, low: str, high: str) -> str:
        self._at_rest()
        if not self.state.known:
            raise Refused("lost")
        bounds = self._number(low, -FAR, FAR), self._number(high, -FAR, FAR)
        if bounds[0] > bounds[1]:
            raise Refused("range")
        self.state.limits = bounds
        return ""

    def _move(self, word: str) -> str:
        s = self.state
        target = self._number(word, -FAR, FAR)
        self._able()
        if not s.known:
            raise Refused("lost")
        if s.limits is None or not s.limits[0] <= target <= s.limits[1]:
            raise Refused("limits")
        if any(self._hit()):
            raise Refused("switch")
        self._go(target, s.speed, s.acceleration)
        return ""

    def _jog(self, word: str) -> str:
        s = self.state
        target = self._number(word, -FAR, FAR)
        self._able()
        if abs(target - s.count) > self.options.per_mm:
            raise Refused("range")
        if s.limits is not None and not s.limits[0] <= target <= s.limits[1]:
            raise Refused("limits")
        self._way_free(target)
        self._go(target, self.options.slow_speed, self.options.slow_acceleration)
        return ""

    def _go(self, target: int, speed: int, acceleration: int) -> None:
        if target == self.state.count:
            self.state.ended = "arrived"
        else:
            self.hardware.go(target, speed, acceleration, "move", "arrived")

    def _seek(self, end: str) -> str:
        if end not in ("low", "high"):
            raise Refused("words")
        self._able()
        if all(self._hit()) or not self.hardware.switches.fitted(end):
            raise Refused("switch")
        self.state.limits = None
        self.hardware.seek(end)
        return ""

    def _fire(self, number: str, place: str) -> str:
        s = self.state
        shot, position = self._number(number, 1, 0xFFFFFFFF), self._number(place, -FAR, FAR)
        if shot == s.shot:
            return self._shot()
        if shot < s.shot:
            raise Refused(f"shot {s.shot}")
        if s.latched:
            raise Refused("stopped")
        if s.contacts:
            raise Refused("busy")
        self._able()
        if not s.known:
            raise Refused("lost")
        if position != s.count:
            raise Refused("place")
        self.hardware.fire(shot)
        return self._shot()

    def _hold(self, word: str) -> str:
        if word not in ("on", "off"):
            raise Refused("words")
        self._at_rest()
        self.state.held = word == "on"
        if word == "off":
            self.hardware.lose("off")
        return ""

    def _clear(self) -> str:
        self._at_rest()
        self._supplied()
        self.state.latched = False
        return ""
