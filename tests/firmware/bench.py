"""The simulated board and a host that speaks to it, for the tests of the reference controller.

The host is written here from the protocol page and shares no code with the package.
"""

from __future__ import annotations

import atexit
import binascii
import functools
import os
import select
import shutil
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).parents[2] / "hardware_notes" / "firmware"
HERE = Path(__file__).parent
CLOCK_HZ = 16_000_000
STOP, STOP_AT_ONCE = b"\x8e", b"\x98"
# config.h as it is shipped
MICROSTEPS_PER_TURN, MICROSTEPS_PER_MM = 3200, 1600
HIGHEST_SPEED, HIGHEST_ACCELERATION = 10_000, 100_000
SEEK_SPEED, SLOW_ACCELERATION, LOWEST_ACCELERATION = 1600, 4800, 1600


def require(*tools: str, headers: str = "") -> None:
    """Skip where a tool is missing; fail where the tests must run (continuous integration)."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if headers and not Path(headers).is_dir():
        missing.append(headers)
    if not missing:
        return
    message = f"not installed: {', '.join(missing)} (DEVELOPERS.md tells how to get them)"
    if os.environ.get("STACKER_REQUIRE_FIRMWARE") == "1":
        pytest.fail(message)
    pytest.skip(message)


def run(*command: str | Path, cwd: Path | None = None) -> str:
    """Output of a command; what it says on failure goes into the test's message."""
    done = subprocess.run([str(part) for part in command], cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(map(str, command))}\n{done.stdout}{done.stderr}"
    assert not done.stderr, done.stderr
    return done.stdout


@functools.cache
def scratch() -> Path:
    """A temporary folder for what is compiled, gone when the tests end."""
    folder = Path(tempfile.mkdtemp(prefix="firmware-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@functools.cache
def built_firmware() -> tuple[Path, str]:
    """The compiled firmware, and what the compiler and the size program said; compiled once."""
    require("avr-gcc", "avr-size", "make")
    folder = scratch() / "source"
    shutil.copytree(FIRMWARE, folder)
    return folder / "firmware.elf", run("make", "firmware.elf", cwd=folder)


@functools.cache
def built_simulator() -> Path:
    """The simulated board's program; compiled once."""
    require("gcc", headers="/usr/include/simavr")
    program = scratch() / "simulated_board"
    flags = ["-O2", "-std=gnu11", "-Wall", "-Wextra", "-Werror", "-I/usr/include/simavr"]
    run("gcc", *flags, HERE / "simulated_board.c", "-o", program, "-lsimavr")
    return program


@dataclass(frozen=True)
class Event:
    """What happened at a pin, stamped in cycles of the controller's clock."""

    cycle: int
    what: str
    value: int

    @property
    def time_s(self) -> float:
        return self.cycle / CLOCK_HZ


class SimulatedBoard:
    """A running simulator; commands in tests/firmware/simulated_board.c."""

    def __init__(self, pace: float = 0) -> None:
        self._process = subprocess.Popen(
            [built_simulator(), built_firmware()[0]],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        assert self._process.stdout is not None
        word, _, self.port = self._process.stdout.readline().strip().partition(" ")
        assert word == "pty"
        self.events: list[Event] = []
        self.do(f"pace {pace}")

    def do(self, command: str) -> list[str]:
        """One command; the lines before its ``ok``."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(command + "\n")
        lines: list[str] = []
        for line in self._process.stdout:
            if line == "ok\n":
                assert not any(line.startswith("unknown") for line in lines), lines
                return lines
            lines.append(line.strip())
        raise AssertionError(f"the simulator ended during {command!r}")

    def log(self, what: str | None = None) -> list[Event]:
        """Everything so far, or one kind of it."""
        for line in self.do("log"):
            cycle, name, value = line.split()
            self.events.append(Event(int(cycle), name, int(value)))
        return [event for event in self.events if what in (None, event.what)]

    def forget(self) -> None:
        """Start the log anew."""
        self.log()
        self.events.clear()

    def stats(self) -> dict[str, float]:
        return {name: float(value) for name, value in (line.split() for line in self.do("stats"))}

    def run_for(self, time_s: float) -> None:
        """Until that much time of the board has passed."""
        end = self.stats()["cycle"] + time_s * CLOCK_HZ
        while self.stats()["cycle"] < end:
            time.sleep(0.0005)

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(timeout=5)
        finally:
            self._process.kill()
            self._process.wait()
            self._process.stdout.close()


def framed(body: str) -> bytes:
    """A line with its check code."""
    text = body.encode("ascii")
    return text + b" %04X\n" % binascii.crc_hqx(text, 0xFFFF)


class Host:
    """Asks as the protocol page says: one request outstanding, the same bytes again when no reply comes."""

    def __init__(self, port: str, session: int = 0x5E1F90C2) -> None:
        self._file = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self._got = b""
        self.session, self.sequence, self.boot = session, 0, 0
        self.notices: list[str] = []
        self.identity = self.ask("identify")[1:]
        self.boot = int(self.identity[1], 16)

    def send(self, data: bytes) -> None:
        while data:
            select.select([], [self._file], [])
            data = data[os.write(self._file, data) :]

    def line(self, timeout_s: float) -> list[str] | None:
        """Words of the next whole line, its check code verified and cut off."""
        deadline = time.monotonic() + timeout_s
        while b"\n" not in self._got:
            if not select.select([self._file], [], [], max(0.0, deadline - time.monotonic()))[0]:
                return None
            self._got += os.read(self._file, 4096)
        line, _, self._got = self._got.partition(b"\n")
        body, _, check = line.decode("ascii").rpartition(" ")
        assert len(line) < 64
        assert check == f"{binascii.crc_hqx(body.encode(), 0xFFFF):04X}", line
        return body.split(" ")

    def exchange(self, body: str, tries: int = 10) -> list[str]:
        """Words after session and sequence of the reply to a body that begins with ``ask``."""
        data = framed(body)
        _, _, session, sequence, *_ = body.split(" ")
        for attempt in range(tries):
            self.send(data if attempt == 0 else b"\n" + data)
            while (words := self.line(0.5)) is not None:
                if words[0] == "note":
                    self.notices.append(" ".join(words))
                elif words[1:3] == [session, sequence]:
                    return words[3:]
        raise AssertionError(f"no reply to {body!r}")

    def ask(self, verb: str) -> list[str]:
        """A new request of this session: ``["ok", ...]`` or ``["no", ...]``."""
        self.sequence += 1
        return self.exchange(f"ask {self.boot:04X} {self.session:08X} {self.sequence:08X} {verb}")

    def order(self, *verbs: str) -> None:
        """Requests that must be accepted."""
        for verb in verbs:
            assert self.ask(verb)[0] == "ok", verb

    def open(self) -> None:
        """Take the rail over."""
        self.boot, old = (self.ask("identify")[index] for index in (2, 4))  # type: ignore[assignment]
        self.boot = int(self.boot, 16)  # type: ignore[call-overload]
        self.order(f"open {old}")

    def ready(self, position: int = 0, speed: int = 4800, acceleration: int = 24_000, reach: int = 100_000) -> None:
        """Session open, position declared, limits wide, a deadman that a slow test machine does not set off."""
        self.open()
        self.order(
            f"declare {position}",
            f"speed {speed}",
            f"accel {acceleration}",
            "deadman 60000",
            f"limits {position - reach} {position + reach}",
        )

    def where(self) -> list[str]:
        return self.ask("where")[1:]

    def rest(self, timeout_s: float = 30) -> list[str]:
        """Wait until the rail is at rest; trust, position, why it ended."""
        deadline = time.monotonic() + timeout_s
        while (words := self.where())[0] != "rest":
            assert time.monotonic() < deadline, words
        return words[1:]

    def shot_done(self) -> list[str]:
        """Wait until the shot is over; number, state, sync."""
        while (words := self.ask("shot")[1:])[1] == "firing":
            pass
        return words

    def close(self) -> None:
        os.close(self._file)
