"""What a dry run talks to: controller, release line and program that agree to all and write down what they get."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import replace

from stacker.documents.gcode_link import GcodeLink
from stacker.driving.job import Job
from stacker.motion.move_time import move_time_s
from stacker.rail.acknowledged import AcknowledgedLines
from stacker.rail.clock import Clock, VirtualClock
from stacker.rail.controller import ControllerRefused, Identity
from stacker.rail.framing import reply_bytes, request_bytes
from stacker.rail.gcode import GcodeController
from stacker.rail.line import LineController
from stacker.rail.link import Lines
from stacker.rail.wire_time import ANSWERS_S, byte_s

QUESTIONS = ("where", "shot", "identify", "state", "edge")  # they move nothing and are repeated as often as needed
REHEARSAL = Identity(name="rehearsal", version=0, boot=0, microsteps_per_turn=None)


class RehearsalLink:
    """Stands in for a link: there is no port."""

    url, pending = "dry run", False

    def __init__(self, byte_s: float) -> None:
        self.clock: Clock = VirtualClock()
        self.byte_s = self.least_byte_s = byte_s

    def send(self, data: bytes) -> None:
        """Nothing leaves the program."""

    def read_line(self, deadline_s: float) -> None:
        """Nobody answers."""

    def close(self) -> None:
        """Nothing was opened."""


class RehearsalLineController(LineController):
    """A controller of our line protocol, as slow and as strict about its contacts as a real one.

    Parameters
    ----------
    start : int
        Where its rail stands [microsteps].
    byte_s : float
        How long a byte would be on the wire [s].
    """

    def __init__(self, start: int, byte_s: float) -> None:
        super().__init__(RehearsalLink(byte_s), session=1)
        self.requests: list[str] = []
        self._at, self._shot, self._byte_s = start, 0, byte_s
        self._closing_s = self._contacts_open_s = self._rests_s = 0.0
        self._wired = False
        self._speeds = {"speed": 1, "accel": 1}

    def connect(self) -> Identity:
        """A rehearsal knows itself."""
        return REHEARSAL

    def take_over(self) -> None:
        """The sessions are known at the bench alone."""
        self.ask("open", "SESSION")

    def ask(self, verb: str, *arguments: int | str) -> list[str]:
        """Keep the request; answer as a rail would that has done it already."""
        if verb in ("move", "jog"):
            self._check_bounds(int(arguments[0]))
        self.clock.sleep(request_bytes(verb, *arguments) * self._byte_s + ANSWERS_S)
        self.acted_s = self.clock.now()
        words = self._done(verb, [int(word) for word in arguments if isinstance(word, int)])
        if verb not in QUESTIONS:
            self.requests.append(" ".join([verb, *map(str, arguments)]))
        self.clock.sleep(reply_bytes(*words) * self._byte_s)
        return words

    def _done(self, verb: str, numbers: Sequence[int]) -> list[str]:
        """What a request does, and the words of its answer."""
        match verb, numbers:
            case (("speed" | "accel"), [number]):
                self._speeds[verb] = number
            case "shutter", [closed_ms, focus_ms]:
                self._closing_s = (closed_ms + focus_ms) / 1000
            case "move", [position]:
                self._rests_s = self.acted_s + move_time_s(
                    position - self._at, speed_mm_s=self._speeds["speed"], acceleration_mm_s2=self._speeds["accel"]
                )  # in microsteps, as good as in mm
                self._at = position
            case "where", _:
                motion = "rest" if self.acted_s >= self._rests_s else "moves"
                return [motion, "known", str(self._at), "arrived"]
            case "fire", [shot, _]:
                if self.acted_s < max(self._rests_s, self._contacts_open_s):
                    raise ControllerRefused("busy", "", "the rail moves, or a contact is closed still.")
                self._shot, self._contacts_open_s = shot, self.acted_s + self._closing_s
                return [str(shot), "firing", "waiting" if self._wired else "unwired"]
            case "watch", [_, sync_ms]:
                self._wired = sync_ms > 0
        return [str(self._shot), "fired", "closed" if self._wired else "unwired"] if verb == "shot" else []


class _RehearsalLines(AcknowledgedLines):
    """Lines that are acknowledged in their time."""

    def __init__(self, link: Lines, words: GcodeLink) -> None:
        super().__init__(link, words)
        self._answer_s = words.answer_s
        self.said: list[str] = []

    def say(self, line: str) -> None:
        """Keep the line."""
        self._link.clock.sleep(self._answer_s)
        self.said.append(line)

    def post(self, line: str, within_s: float) -> None:
        """Keep the line."""
        del within_s
        self.said.append(line)


class RehearsalGcodeController(GcodeController):
    """A controller of RS274/NGC words.

    Parameters
    ----------
    start : int
        Where its rail stands [microsteps].
    words : GcodeLink
        Its answers; a position query is left out, since it moves nothing.
    microsteps_per_mm : float
        Of the rail.
    """

    def __init__(self, start: int, words: GcodeLink, microsteps_per_mm: float) -> None:
        mute = replace(words, position_query=None)
        link = RehearsalLink(0.0)
        super().__init__(link, mute, microsteps_per_mm=microsteps_per_mm)
        self.lines = _RehearsalLines(link, mute)
        self.requests = self.lines.said
        self._at, self._known = start, True

    def connect(self) -> Identity:
        """A rehearsal knows itself."""
        return REHEARSAL

    def start_move(self, position: int) -> None:
        """Keep the lines; a dwell behind the move is acknowledged when it has ended."""
        took_s = move_time_s(position - self._at, speed_mm_s=self._speed, acceleration_mm_s2=self._acceleration)
        super().start_move(position)
        self._due_s = max(self._due_s, self.clock.now() + took_s)

    def still_there(self) -> None:
        """A rehearsal always is."""


def rehearsal_controller(job: Job, start: int) -> RehearsalLineController | RehearsalGcodeController:
    """The controller that a job would talk to, without a port."""
    if job.link.gcode is not None:
        return RehearsalGcodeController(start, job.link.gcode, job.rail.microsteps_per_mm)
    return RehearsalLineController(start, byte_s(job.link.url, job.link.baud))


class RehearsalReleaseLine:
    """A modem line.

    Parameters
    ----------
    requests : list of str
        Where its changes are written down.
    line : str
        Its name.
    """

    def __init__(self, requests: list[str], line: str) -> None:
        self._requests, self._line, self._on = requests, line, False

    def set(self, *, on: bool) -> None:
        """Write a change down."""
        if on != self._on:
            self._requests.append(f"{self._line} {'on' if on else 'off'}")
        self._on = on

    def close(self) -> None:
        """Nothing was opened."""


class RehearsalProcess:
    """A command that ends at once, well.

    Parameters
    ----------
    requests : list of str
        Where it is written down.
    command : sequence of str
        Program and arguments.
    """

    def __init__(self, requests: list[str], command: Sequence[str]) -> None:
        requests.append(shlex.join(command))

    def wait(self, timeout: float) -> int:
        """It is done."""
        del timeout
        return 0
