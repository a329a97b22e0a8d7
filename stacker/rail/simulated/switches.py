"""The limit switches of the simulated board, normally closed, and their wires."""

from __future__ import annotations

from collections.abc import Callable

from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.state import State

TRIP_S, CLEAR_S = 0.0003, 0.020  # protocol page, limit switches


class Switches:
    """What the two switches read.

    Parameters
    ----------
    state : State
        The board's.
    options : SimulatedOptions
        From the URL: how the wires are now, whatever they were before.
    place : callable
        True position of the carriage [microsteps from the low end].
    """

    def __init__(self, state: State, options: SimulatedOptions, place: Callable[[], float]) -> None:
        self._state, self._options, self._place = state, options, place
        for switch, wire in (("low", options.low_wire), ("high", options.high_wire)):
            state.pressed[switch], state.bridged[switch] = wire == "cut", wire == "bridged"

    def fitted(self, switch: str) -> bool:
        """Whether that switch is built in."""
        return (self._options.low_switch if switch == "low" else self._options.high_switch) >= 0

    def open_at(self, switch: str, place: float) -> bool:
        """Whether its contact is open with the carriage there."""
        if self._state.pressed.get(switch, False):
            return True
        if self._state.bridged.get(switch, False) or not self.fitted(switch):
            return False
        return place <= self._options.low_switch if switch == "low" else place >= self._options.high_switch

    def hit(self, switch: str) -> bool:
        """Whether it reads hit."""
        return self._state.now_s < self._state.clear_s.get(switch, 0.0) or self.open_at(switch, self._place())

    def press(self, switch: str, *, hit: bool) -> bool:
        """Open or close it by hand, or cut its wire and mend it; whether that changed what it reads."""
        was = self.hit(switch)
        self._state.pressed[switch] = hit
        if was and not hit:
            self._state.clear_s[switch] = self._state.now_s + CLEAR_S
        return was != hit

    def bridge(self, switch: str) -> None:
        """Let it read closed for ever."""
        self._state.bridged[switch] = True
