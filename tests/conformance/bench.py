"""What the conformance suite needs of a controller under test, and the host it asks with.

The host here is written from the protocol page alone and shares no code with the package: three readings of one page
(package, simulated rail, this) that must agree.
"""

from __future__ import annotations

import binascii
from typing import Protocol

import serial

STOP, STOP_AT_ONCE = b"\x8e", b"\x98"


class Board(Protocol):
    """A controller under test, just switched on: rail in mid-travel, switches free, motor supplied, camera awake.

    It has both limit switches, supply sense and a sync contact; 3200 microsteps a turn, 1600 a millimetre, 80 mm of
    travel, 2 mm of overtravel.
    """

    port: serial.SerialBase
    name: str
    top_speed: int

    def now_s(self) -> float:
        """The board's own time."""

    def wait(self, seconds: float) -> None:
        """Let the board live for that long by its own time."""

    def reset(self) -> None:
        """Press the reset button."""

    def press(self, switch: str, *, hit: bool) -> None:
        """Open (hit) or close the switch ``low`` or ``high``."""

    def bridge(self, switch: str) -> None:
        """Let that switch read closed for ever."""

    def supply(self, *, on: bool) -> None:
        """Take the motor supply away or give it back."""

    def camera(self, *, answers: bool) -> None:
        """Let the sync contact close at each shutter signal, or never."""

    def stick_sync(self) -> None:
        """Close the sync contact for good."""

    def pulses(self) -> int:
        """Step pulses since power-up, toward high less toward low, counted at the motor driver."""

    def edges(self) -> list[tuple[float, str, bool]]:
        """Time, ``shutter`` or ``focus``, closed or opened: all contact changes since power-up."""


def framed(body: str) -> bytes:
    """A body as a line."""
    data = body.encode("ascii")
    return data + b" %04X\n" % binascii.crc_hqx(data, 0xFFFF)


class Asker:
    """Asks and reads; every line that arrives is checked against the grammar."""

    def __init__(self, board: Board, session: str = "5E1F90C2") -> None:
        self.board, self.session, self.sequence, self.boot = board, session, 0, "0000"
        self._got = b""
        self.notices: list[str] = []

    def line(self, timeout_s: float = 0.6) -> str | None:
        """The next line's body, or None."""
        end_s = self.board.now_s() + timeout_s
        # a board may run faster than this computer reads: look a few times in any case
        looks = 5
        while b"\n" not in self._got:
            chunk = self.board.port.read(max(1, self.board.port.in_waiting))
            self._got += chunk
            looks -= not chunk
            if not chunk and looks <= 0 and self.board.now_s() > end_s:
                return None
        line, _, self._got = self._got.partition(b"\n")
        assert len(line) <= 63, line
        assert all(0x20 <= byte <= 0x7E for byte in line), line
        body, _, code = line.rpartition(b" ")
        assert code == b"%04X" % binascii.crc_hqx(body, 0xFFFF), line
        assert b"  " not in body
        return body.decode("ascii")

    def send(self, data: bytes) -> None:
        self.board.port.write(data)

    def exchange(self, body: str) -> str | None:
        """One request, its reply without the head; None for silence. Notices are kept apart."""
        self.send(framed(body))
        head = "say " + " ".join(body.split(" ")[2:4]) + " "
        while (answer := self.line()) is not None:
            if answer.startswith("note "):
                self.notices.append(answer)
                continue
            assert answer.startswith(head), (body, answer)
            return answer[len(head) :]
        return None

    def body(
        self, verb: str, *, sequence: int | None = None, session: str | None = None, boot: str | None = None
    ) -> str:
        number = self.sequence if sequence is None else sequence
        return f"ask {boot or self.boot} {session or self.session} {number:08X} {verb}"

    def ask(self, verb: str) -> str | None:
        self.sequence += 1
        return self.exchange(self.body(verb))

    def ok(self, *verbs: str) -> str:
        """Requests that must be granted; the words after the last ``ok``."""
        answer = ""
        for verb in verbs:
            answer = self.ask(verb) or ""
            assert answer.split(" ")[0] == "ok", f"{verb}: {answer}"
        return answer[3:]

    def identify(self) -> list[str]:
        return self.ok("identify").split(" ")

    def open(self) -> None:
        _, self.boot, _, old, _ = self.identify()
        self.ok(f"open {old}")

    def ready(self, position: int = 0, low: int = -20_000, high: int = 20_000) -> None:
        """Open, known, limited; a deadman that a slow computer does not set off."""
        self.open()
        self.ok(f"declare {position}", "speed 4000", "accel 20000", "deadman 60000", f"limits {low} {high}")

    def where(self) -> list[str]:
        return self.ok("where").split(" ")

    def rest(self, within_s: float = 60.0) -> list[str]:
        """Wait until the rail rests: trust, position, why."""
        end_s = self.board.now_s() + within_s
        while (words := self.where())[0] != "rest":
            assert self.board.now_s() < end_s, words
            self.board.wait(0.01)
        return words[1:]

    def sought(self, end: str) -> list[str]:
        """Seek that switch to its end, looking often enough for the deadman: trust, position, why."""
        self.ok("deadman 60000", f"seek {end}")
        return self.rest_from_afar()

    def rest_from_afar(self) -> list[str]:
        """As `rest`, for a motion of a minute or two."""
        end_s = self.board.now_s() + 200
        while (words := self.where())[0] != "rest":
            assert self.board.now_s() < end_s, words
            self.board.wait(0.5)
        return words[1:]

    def shot_over(self) -> list[str]:
        while (words := self.ok("shot").split(" "))[1] == "firing":
            self.board.wait(0.01)
        return words
