"""Things of paper for a dry run: they agree to everything and write down what they are told."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import replace

from stacker.driving.job import Job
from stacker.rail.acknowledged import AcknowledgedLines
from stacker.rail.clock import Clock, VirtualClock
from stacker.rail.gcode import GcodeController
from stacker.rail.gcode_words import GcodeWords
from stacker.rail.line import LineController
from stacker.rail.link import Link

QUESTIONS = ("where", "shot", "identify", "state", "edge")  # they move nothing and are repeated as often as needed


class PaperLink:
    """Stands in for a link: there is no port."""

    url, byte_s, pending = "dry run", 10 / 115_200, False

    def __init__(self, clock: Clock) -> None:
        self.clock = clock

    def send(self, data: bytes) -> None:
        """Nothing leaves the program."""

    def close(self) -> None:
        """Nothing was opened."""


class PaperLineController(LineController):
    """A controller of our line protocol.

    Parameters
    ----------
    start : int
        Where its rail stands [microsteps].
    """

    def __init__(self, start: int) -> None:
        super().__init__(PaperLink(VirtualClock()), session=1)  # type: ignore[arg-type]
        self.requests: list[str] = []
        self._at, self._shot = start, 0

    def take_over(self) -> None:
        """The sessions are known at the bench alone."""
        self.ask("open", "SESSION")

    def ask(self, verb: str, *arguments: int | str) -> list[str]:
        """Keep the request; answer as a rail would that has done it already."""
        if verb in ("move", "jog"):
            self._check_bounds(int(arguments[0]))
            self._at = int(arguments[0])
        if verb == "fire":
            self._shot = int(arguments[0])
        if verb not in QUESTIONS:
            self.requests.append(" ".join([verb, *map(str, arguments)]))
        if verb == "where":
            return ["rest", "known", str(self._at), "arrived"]
        return [str(self._shot), "fired", "closed"] if verb in ("fire", "shot") else []


class _PaperLines(AcknowledgedLines):
    """Lines that are acknowledged at once."""

    def __init__(self, link: Link, words: GcodeWords) -> None:
        super().__init__(link, words)
        self.said: list[str] = []

    def say(self, line: str) -> None:
        """Keep the line."""
        self.said.append(line)

    def post(self, line: str, within_s: float) -> None:
        """Keep the line."""
        del within_s
        self.said.append(line)


class PaperGcodeController(GcodeController):
    """A controller of RS274/NGC words.

    Parameters
    ----------
    start : int
        Where its rail stands [microsteps].
    words : GcodeWords
        Its answers; a position query is left out, since it moves nothing.
    microsteps_per_mm : float
        Of the rail.
    """

    def __init__(self, start: int, words: GcodeWords, microsteps_per_mm: float) -> None:
        mute = replace(words, position_query=None)
        super().__init__(
            PaperLink(VirtualClock()),  # type: ignore[arg-type]
            mute,
            microsteps_per_mm=microsteps_per_mm,
        )
        self.lines = _PaperLines(PaperLink(self.clock), mute)  # type: ignore[arg-type]
        self.requests = self.lines.said
        self._at, self._known = start, True

    def still_there(self) -> None:
        """Paper is."""


def paper_controller(job: Job, start: int) -> PaperLineController | PaperGcodeController:
    """The controller that a job would talk to, of paper."""
    if job.link.gcode is not None:
        return PaperGcodeController(start, job.link.gcode, job.rail.microsteps_per_mm)
    return PaperLineController(start)


class PaperReleaseLine:
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


class PaperProcess:
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
