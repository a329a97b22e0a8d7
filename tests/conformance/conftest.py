"""The controllers under test. Another one joins by a `Board` of its own and a line in `CONTROLLERS`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import serial
from conformance.bench import Asker, Board
from firmware.bench import CLOCK_HZ, HIGHEST_SPEED, SimulatedBoard

from stacker.rail.link import SIMULATOR

URL = (
    "sim://conformance?time_scale=inf&position=unknown&low_switch=8000&high_switch=120000&supply=sensed&exposure_s=0.01"
)


class SimulatedRail:
    """The package's own simulated rail, spoken to through pyserial."""

    name, top_speed = "sim", 50_000

    def __init__(self) -> None:
        if SIMULATOR not in serial.protocol_handler_packages:
            serial.protocol_handler_packages.append(SIMULATOR)
        self.port = serial.serial_for_url(URL, timeout=0.05)
        self._board = self.port.board
        self._start = self._motor()

    def _motor(self) -> int:
        self._board.advance()
        return self._board.hardware.counted() + self._board.state.carriage.slip

    def now_s(self) -> float:
        self._board.advance()
        return self._board.state.now_s

    def wait(self, seconds: float) -> None:
        self.port.clock.sleep(seconds)
        self._board.advance()

    def reset(self) -> None:
        self._board.advance()
        self._board.reset()

    def press(self, switch: str, *, hit: bool) -> None:
        self._board.advance()
        self._board.hardware.press(switch, hit=hit)

    def bridge(self, switch: str) -> None:
        self._board.hardware.switches.bridge(switch)

    def supply(self, *, on: bool) -> None:
        self._board.advance()
        self._board.hardware.set_supply(on=on)

    def camera(self, *, answers: bool) -> None:
        self._board.hardware.camera_answers = answers

    def stick_sync(self) -> None:
        self._board.hardware.sync_stuck = True

    def pulses(self) -> int:
        return self._motor() - self._start

    def edges(self) -> list[tuple[float, str, bool]]:
        names = {"contact": "shutter", "focus": "focus"}
        return [
            (event["time_s"], names[event["event"]], event["closed"])
            for event in self._board.events
            if event["event"] in names
        ]

    def close(self) -> None:
        self.port.close()


class ReferenceController:
    """The reference controller's firmware on a simulated part, its serial port on a pseudo-terminal."""

    name, top_speed = "bench", HIGHEST_SPEED

    def __init__(self) -> None:
        self._board = SimulatedBoard(pace=8)  # faster, and a busy computer would set off the deadman
        self.camera(answers=True)
        self.port = serial.Serial(self._board.port, 115200, timeout=0.05)
        self.wait(0.1)
        self.port.reset_input_buffer()  # the boot notice, of which opening cut off the beginning

    def now_s(self) -> float:
        return self._board.stats()["cycle"] / CLOCK_HZ

    def wait(self, seconds: float) -> None:
        self._board.run_for(seconds)

    def reset(self) -> None:
        self._board.do("reset 0")

    def press(self, switch: str, *, hit: bool) -> None:
        self._board.do(f"wire {switch} {'cut' if hit else 'whole'}")

    def bridge(self, switch: str) -> None:
        """Its switches are not on the rail: they open by hand alone."""

    def supply(self, *, on: bool) -> None:
        self._board.do(f"supply {'on' if on else 'gone'}")

    def camera(self, *, answers: bool) -> None:
        self._board.do(f"camera 20000 {4000 if answers else 0}")

    def stick_sync(self) -> None:
        self.camera(answers=False)  # its answer would open the contact again
        self._board.do("sync closed")

    def pulses(self) -> int:
        return int(self._board.stats()["carriage"])

    def edges(self) -> list[tuple[float, str, bool]]:
        closed = {"shutter": 0, "focus": 0}
        changes = []
        for event in self._board.log():
            if closed.get(event.what, event.value) != event.value:
                closed[event.what] = event.value
                changes.append((event.time_s, event.what, bool(event.value)))
        return changes

    def close(self) -> None:
        self.port.close()
        self._board.close()


CONTROLLERS = {"simulated_rail": SimulatedRail, "reference_controller": ReferenceController}


@pytest.fixture(
    params=["simulated_rail", pytest.param("reference_controller", marks=pytest.mark.campaign)],
)
def board(request: pytest.FixtureRequest) -> Iterator[Board]:
    made = CONTROLLERS[request.param]()
    yield made
    made.close()


@pytest.fixture
def host(board: Board) -> Asker:
    return Asker(board)
