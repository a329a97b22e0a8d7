"""The whole simulated board on one clock: wire, controller, hardware, its memory file and its log."""

from __future__ import annotations

import contextlib
import json
import os
import time
from bisect import bisect_right
from pathlib import Path
from typing import Any

from stacker.rail.clock import Clock
from stacker.rail.simulated.controller import Controller
from stacker.rail.simulated.hardware import Hardware
from stacker.rail.simulated.memory import LOG, STATE, keep_other_files, recall
from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.state import NEVER_S, State
from stacker.rail.simulated.wire import distorted

LONGEST_ALONE_S = 60.0  # after that a board without a host has long come to rest


class Unplugged(Exception):
    """The cable was pulled."""


class Board:
    """A rail with its controller, advanced in time by whoever looks at it.

    Parameters
    ----------
    options : SimulatedOptions
        From the URL.
    clock : Clock
        The host's clock too.
    """

    def __init__(self, options: SimulatedOptions, clock: Clock) -> None:
        self.options, self.clock = options, clock
        self.events: list[dict[str, Any]] = []
        self._log_bytes = 0
        self._alone_until_s = 0.0
        self.state = self._load()
        self._offset_s = self.state.now_s - clock.now()
        self._out: list[tuple[float, int]] = []  # (arrival at the host, byte)
        self._out_free_s = 0.0
        timed = (
            (options.supply_off_at_s, self._supply_fails),
            (options.reset_at_s, self.reset),
            (options.unplug_at_s, self._unplug),
            (options.low_cut_at_s, lambda: self._cut("low")),
            (options.high_cut_at_s, lambda: self._cut("high")),
        )
        self._timed = sorted(
            ((self.state.now_s + at_s, act) for at_s, act in timed if at_s > 0), key=lambda event: event[0]
        )
        self._unplugged = False
        self.hardware = Hardware(self.state, options, self._log)
        self.controller = Controller(self.state, options, self.hardware, self._send)

    # -- its memory

    def _load(self) -> State:
        path, log = Path(self.options.state), Path(self.options.log)
        logged = bool(self.options.log) and keep_other_files(log, LOG)
        if not self.options.state or not keep_other_files(path, STATE):
            if self.options.log:
                log.write_bytes(b"")
            return State.fresh(self.options)
        state, self._log_bytes, wall_s = recall(path)
        if logged:
            os.truncate(log, min(self._log_bytes, log.stat().st_size))  # what was not remembered happens again alike
        scale = min(self.options.time_scale, 1e6)  # a virtual clock: long enough for everything to come to rest
        alone_s = max(time.time() - wall_s, 1e-3) * scale
        self._alone_until_s = state.now_s + min(alone_s, LONGEST_ALONE_S)
        return state

    def live_alone(self) -> None:
        """Let the time pass that passed since the memory file was written."""
        timed, self._timed = self._timed, []  # faults to come are counted from now, not from then
        began_s = self.state.now_s
        self._run_until(max(began_s, self._alone_until_s))
        self._offset_s = self.state.now_s - self.clock.now()
        self._timed = [(at_s + self.state.now_s - began_s, act) for at_s, act in timed]
        self._out.clear()

    def save(self) -> None:
        """Write the memory file, if there is one."""
        if not self.options.state:
            return
        saved = {"state": self.state.to_json(), "log_bytes": self._log_bytes, "wall_s": time.time()}
        beside = Path(f"{self.options.state}.{os.getpid()}")
        beside.write_text(json.dumps(saved), encoding="utf-8")
        beside.replace(self.options.state)

    def _log(self, event: dict[str, Any]) -> None:
        event = {"time_s": round(self.state.now_s, 6), **event}  # first: by it a log is known
        self.events.append(event)
        if self.options.log:
            line = (json.dumps(event) + "\n").encode()
            with open(self.options.log, "ab") as file:  # noqa: PTH123 - unbuffered appending
                file.write(line)
            self._log_bytes += len(line)

    # -- the wire

    def _byte_s(self) -> float:
        return 10 / self.options.baud

    def write(self, data: bytes) -> None:
        """The host sends bytes."""
        self.advance()
        s = self.state
        self._check_plug()
        s.distorted += 1
        for delay_s, piece in distorted(data, s.distorted, self.options):
            free_s = s.now_s + delay_s
            if s.under_way and delay_s == 0:
                free_s = max(free_s, s.under_way[-1][0])
            s.under_way.extend((free_s + (n + 1) * self._byte_s(), byte) for n, byte in enumerate(piece))
        s.under_way.sort(key=lambda event: event[0])
        self.save()

    def _send(self, line: bytes) -> None:
        s = self.state
        s.distorted += 1
        start_s = max(s.now_s, self._out_free_s)
        self._out_free_s = start_s + len(line) * self._byte_s()
        for delay_s, piece in distorted(line, s.distorted, self.options):
            self._out.extend((start_s + delay_s + (n + 1) * self._byte_s(), byte) for n, byte in enumerate(piece))
        self._out.sort(key=lambda event: event[0])

    def waiting(self) -> int:
        """How many bytes have arrived at the host."""
        self.advance()
        self._check_plug()
        return bisect_right(self._out, self.state.now_s, key=lambda event: event[0])

    def read(self, size: int) -> bytes:
        """Bytes that have arrived at the host, at most that many."""
        count = min(size, self.waiting())
        data = bytes(byte for _, byte in self._out[:count])
        del self._out[:count]
        return data

    def discard(self) -> None:
        """Forget what has arrived at the host."""
        self.read(self.waiting())

    def next_event_s(self) -> float:
        """Seconds of the host's clock until something may have changed."""
        times = [self.hardware.next_event()[0], self.state.serving_s]
        times += [self._out[0][0]] if self._out else []
        times += [self.state.under_way[0][0]] if self.state.under_way else []
        times += [self._timed[0][0]] if self._timed else []
        return max(0.0, min(times) - self.state.now_s)

    # -- time

    def advance(self) -> None:
        """Let everything happen that is due by now."""
        self._run_until(self.clock.now() + self._offset_s)

    def _run_until(self, until_s: float) -> None:
        s = self.state
        while True:
            event_s, act = self.hardware.next_event()
            byte_s = s.under_way[0][0] if s.under_way else NEVER_S
            timed_s = self._timed[0][0] if self._timed else NEVER_S
            first_s = min(event_s, byte_s, s.serving_s, timed_s)
            if first_s > until_s:
                break
            s.now_s = max(s.now_s, first_s)
            if first_s == timed_s:
                self._timed.pop(0)[1]()
            elif first_s == event_s:
                act()
            elif first_s == byte_s:
                self.controller.receive(s.under_way.pop(0)[1])
            else:
                self.controller.serve()
        s.now_s = max(s.now_s, until_s)

    # -- what happens to it

    def reset(self) -> None:
        """The reset button, or DTR."""
        self.controller.reset()
        self.save()

    def _supply_fails(self) -> None:
        self.hardware.set_supply(on=False)

    def _cut(self, switch: str) -> None:
        self.hardware.press(switch, hit=True)

    def _unplug(self) -> None:
        self._unplugged = True
        self.state.under_way.clear()

    def _check_plug(self) -> None:
        if self._unplugged:
            with contextlib.suppress(OSError):
                self.save()
            raise Unplugged


def opened(options: SimulatedOptions, clock: Clock, *, dtr: bool, rts: bool) -> Board:
    """A board whose port was just opened, with the modem lines in that state."""
    board = Board(options, clock)
    board.live_alone()
    place = board.hardware.place()
    board._log({"event": "open", "dtr": dtr, "rts": rts, "position_microsteps": place})  # noqa: SLF001
    if options.reset_on_open == "always" or (options.reset_on_open == "dtr" and dtr):
        board.reset()
    board.save()
    return board
