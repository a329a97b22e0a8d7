"""The simulated controller: it reads requests and answers as the protocol page says, section by section."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from stacker.rail.simulated.hardware import Hardware
from stacker.rail.simulated.options import SimulatedOptions
from stacker.rail.simulated.state import NEVER_S, State
from stacker.rail.simulated.verbs import SESSION, TELLING, Verbs

STOP, STOP_AT_ONCE = 0x8E, 0x98
SERVICE_S = 0.0005  # from LF to the reply
RING = 64
NOBODY = "00000000"
REQUEST = re.compile(r"ask ([0-9A-F]{4}) ([0-9A-F]{8}) ([0-9A-F]{8}) (.*)\Z")


def _crc_table() -> list[int]:
    """CRC-16, polynomial 0x1021 from 0xFFFF, by its definition; the host's comes from the standard library."""
    table = []
    for byte in range(256):
        value = byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
        table.append(value)
    return table


_TABLE = _crc_table()


def check_code(body: bytes) -> str:
    """Four capital hexadecimal digits."""
    value = 0xFFFF
    for byte in body:
        value = (value << 8 & 0xFFFF) ^ _TABLE[value >> 8 ^ byte]
    return f"{value:04X}"


class Controller:
    """Bytes in, bytes out.

    Parameters
    ----------
    state, options, hardware
        The board's.
    send : callable
        Takes the bytes of one whole line.
    """

    def __init__(
        self, state: State, options: SimulatedOptions, hardware: Hardware, send: Callable[[bytes], None]
    ) -> None:
        self.state, self.options, self.hardware, self._send = state, options, hardware, send
        self.verbs = Verbs(state, options, hardware)

    # -- bytes

    def receive(self, byte: int) -> None:
        """The receive interrupt."""
        s = self.state
        if byte in (STOP, STOP_AT_ONCE):
            s.latched = True
            if s.serving_s == NEVER_S:  # a whole line is not being gathered any more; the latch refuses its motion
                s.dropping = s.dropping or bool(s.line)
                s.line = ""
            self.hardware.log_stop(at_once=byte == STOP_AT_ONCE)
            if byte == STOP:
                self.hardware.brake("stop")
            else:
                self.hardware.end_at_once("sudden")
                self.hardware.release()
        elif s.serving_s < NEVER_S:
            if len(s.ring) < RING:
                s.ring.append(byte)
        else:
            self._gather(byte)

    def _gather(self, byte: int) -> None:
        s = self.state
        if byte == 0x0A:
            if s.line and not s.dropping:
                s.serving_s = s.now_s + SERVICE_S
                return
            s.line, s.dropping = "", False
        elif s.dropping or not 0x20 <= byte <= 0x7E or len(s.line) >= 63:
            s.line, s.dropping = "", True
        else:
            s.line += chr(byte)

    def serve(self) -> None:
        """The main loop: answer the line that is complete, then go on gathering."""
        s = self.state
        line, s.line, s.serving_s = s.line, "", NEVER_S
        body, _, code = line.rpartition(" ")
        if body and code == check_code(body.encode("ascii")):
            self._answer(body)
        waiting, s.ring = s.ring, []
        for number, byte in enumerate(waiting):
            if s.serving_s < NEVER_S:
                s.ring = waiting[number:]
                break
            self._gather(byte)

    def reset(self) -> None:
        """Power-up or reset: a new boot number, all else forgotten."""
        s = self.state
        self.hardware.end_at_once("sudden")
        self.hardware.release()
        self.hardware.log({"event": "boot", "boot": s.boot % 0xFFFF + 1})
        slip = s.carriage.slip + s.count
        fresh = State(
            carriage=replace(s.carriage, slip=slip),
            camera=s.camera,
            now_s=s.now_s,
            boot=s.boot % 0xFFFF + 1,
            supply=s.supply,
            pressed=s.pressed,
            clear_s=s.clear_s,
            distorted=s.distorted,
            opens_s=s.opens_s,
            exposed_until_s=s.exposed_until_s,
            bridged=s.bridged,
            speed=self.options.slow_speed,
            acceleration=self.options.slow_acceleration,
        )
        for name in State.__slots__:
            setattr(s, name, getattr(fresh, name))
        self._line(f"note {s.boot:04X} boot {self.options.name}")

    def _line(self, body: str) -> None:
        self._send(f"{body} {check_code(body.encode('ascii'))}\n".encode("ascii"))

    # -- who may ask (section 4)

    def _answer(self, body: str) -> None:
        match = REQUEST.match(body)
        if match is None:
            return
        s = self.state
        boot, session, sequence, rest = match.groups()
        verb, *words = rest.split(" ")
        head = f"say {session} {sequence}"
        if verb == "identify":
            o = self.options
            self._line(f"{head} ok 1 {s.boot:04X} {o.turn} {s.session} {o.name}" if not words else f"{head} no words")
            return
        if int(boot, 16) != s.boot:
            self._line(f"{head} no boot {s.boot:04X}")
            return
        if session == NOBODY and verb in TELLING:
            self._line(f"{head} {self.verbs.act(verb, words)}")
            return
        if verb == "open" and session != s.session:
            if words == [s.session] and session != NOBODY:
                s.session, s.sequence = session, sequence
                self._feed()
                s.stored = f"{head} {self.verbs.act(verb, [session])}"
                self._line(s.stored)
            else:
                formed = len(words) == 1 and SESSION.match(words[0])
                self._line(f"{head} no session {s.session}" if formed else f"{head} no words")
            return
        if session != s.session or session == NOBODY:
            self._line(f"{head} no session {s.session}")
        elif sequence < s.sequence:
            self._line(f"{head} no sequence {s.sequence}")
        elif sequence == s.sequence:
            self._feed()
            self._line(s.stored)
        else:
            s.sequence = sequence
            self._feed()
            s.stored = f"{head} {self.verbs.act(verb, words)}"
            self._line(s.stored)

    def _feed(self) -> None:
        self.state.deadman_s = self.state.now_s + self.state.deadman_ms / 1000
