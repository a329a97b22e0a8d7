"""Moves by RS274/NGC words: piece by piece, each told where it begins; at rest when the proof of arrival says so.

See `stacker.rail.gcode` for what holds throughout, and for the references.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from stacker.errors import LinkError, Refusal, RunStopped
from stacker.motion.move_time import move_time_s
from stacker.rail.acknowledged import QUIET_S, AcknowledgedLines, NotAcknowledged
from stacker.rail.controller import ControllerRefused, ControllerReset, Where
from stacker.rail.gcode_position import agrees, reply_pattern, what_is_wrong
from stacker.rail.gcode_words import GcodeWords, mode_of
from stacker.rail.link import Lines

PLACE_S = 0.5  # a queried position may lag that long behind the predicted end and its margin
DWELL_S = 2.0  # as long as a rail waits beyond a predicted end (stacker.rail.rail)
DWELL = "G4 P0"  # of no length in seconds and in milliseconds alike


class GcodeMoves:
    """The moving half of a controller that takes RS274/NGC words.

    Parameters
    ----------
    link : Lines
        Open.
    words : GcodeWords
        Its answers.
    microsteps_per_mm : float
        Of the rail.

    Attributes
    ----------
    lines : AcknowledgedLines
        What is said and heard.
    """

    def __init__(self, link: Lines, words: GcodeWords, *, microsteps_per_mm: float) -> None:
        self._link, self.words, self.microsteps_per_mm = link, words, microsteps_per_mm
        self.clock = link.clock
        self.session, self.poll_s = "", QUIET_S
        self.lead_s = self.question_s = 0.0  # a contact counts as closed when that is acknowledged
        self.longest_move_s: float | None = words.piece_s
        self.bounds: tuple[int, int] | None = None
        self._reply = reply_pattern(words)
        self.lines = AcknowledgedLines(link, words)
        self._known = False
        self._speed = self._acceleration = 1
        self._at = 0  # where the rail is, or was before the move that is under way [microsteps]
        self._target: int | None = None  # where that move ends
        self._due_s = 0.0  # when

    @property
    def acted_s(self) -> float:
        """When the last line was acted on, at the latest: its answer says no more than that it was taken."""
        return self.clock.now()

    @property
    def attend(self) -> Callable[[], None]:
        """Called while waiting for an answer."""
        return self.lines.attend

    @attend.setter
    def attend(self, attend: Callable[[], None]) -> None:
        self.lines.attend = attend

    def configure(self, *, speed: int, acceleration: int, deadman_s: float) -> None:
        """Note speed and acceleration: the feed goes with every move, the acceleration is the controller's own."""
        del deadman_s
        self._speed, self._acceleration = speed, acceleration

    @property
    def jogs(self) -> None:
        """Nothing moves while the position is lost."""

    @property
    def switches(self) -> None:
        """The standard has no word for them."""

    # -- moves

    def _mm(self, microsteps: int) -> str:
        """A position as a number of the language: no exponent, to a nanometre, so that microsteps stay apart."""
        text = f"{microsteps / self.microsteps_per_mm:.6f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text

    def set_limits(self, low: int, high: int) -> None:
        """Set the limits; the controller has no word for them."""
        self.bounds = (low, high)

    def declare(self, position: int) -> None:
        """Name the present place.

        Raises
        ------
        Refusal
            When the controller answers another place to the question where it is: the profile does not fit it.
        """
        self.bounds, self._known = None, False
        self.lines.say(self.place_line(position))
        if self.words.position_query and not agrees(told := self.queried(), position, self.microsteps_per_mm):
            wrong = what_is_wrong(told, position, self.microsteps_per_mm, self.words)
            raise Refusal(
                f"{self._link.url}: told to be at {position / self.microsteps_per_mm:g} mm, the controller answers "
                f"{told} to '{self.words.position_query}'. {wrong}",
                code="position_reply",
                key="rail.link.position_reply",
            )
        self._at, self._target, self._known = position, None, True

    def place_line(self, position: int) -> str:
        """The line that names the present place."""
        return f"G92 {self.words.axis}{self._mm(position)}"

    def move_line(self, position: int) -> str:
        """The line that moves there."""
        feed = f"{self._speed / self.microsteps_per_mm * 60:.3f}".rstrip("0").rstrip(".")
        return f"G1 {self.words.axis}{self._mm(position)} F{feed}"

    def start_move(self, position: int) -> None:
        """Start one piece of a move; checked against the bounds just before the line is sent."""
        low, high = self.bounds or (1, 0)
        coming_in = self.bounds is not None and (self._at < position < low or high < position < self._at)
        if not low <= position <= high and not coming_in:
            said = f"{low} to {high}" if self.bounds else "not set"
            raise Refusal(f"move to {position} microsteps not sent: the limits of this run are {said}.", code="limits")
        if not self._known or self._target is not None:
            reason = "busy" if self._known else "lost"
            raise ControllerRefused(reason, "", f"move to {position} microsteps not sent: the rail is {reason}.")
        took_s = move_time_s(position - self._at, speed_mm_s=self._speed, acceleration_mm_s2=self._acceleration)
        by_dwell = self.words.arrival == "dwell"
        with self._losing_the_place():
            self._refuse_other_place()
            self.lines.say(self.place_line(self._at))  # one that forgot where it is would ram the rail into its end
            self._target, self._due_s = position, math.inf
            self.lines.say(self.move_line(position))
            if by_dwell:
                self.lines.post(DWELL, took_s + min(self.words.acknowledge_s, DWELL_S))
        self._due_s = self.clock.now() + (0.0 if by_dwell else took_s + self.words.arrival_margin_s)

    @contextmanager
    def _losing_the_place(self) -> Iterator[None]:
        """When a line fails: a move may be under way still, and where it ends is not known."""
        try:
            yield
        except (RunStopped, LinkError) as error:
            moving = self._target is not None
            self._known = False
            self._target = self._at if self._target is None else self._target
            self._due_s = self.clock.now() + self.words.piece_s + self.words.arrival_margin_s  # no move is longer
            if moving and isinstance(error, NotAcknowledged):
                raise NotAcknowledged(f"{error} The rail may still be moving.", code=error.code) from error
            raise

    def _refuse_other_place(self) -> None:
        """At rest: a controller that says another place than the last one was reset."""
        if self.words.position_query and not agrees(told := self.queried(), self._at, self.microsteps_per_mm):
            left_mm = self._at / self.microsteps_per_mm
            raise ControllerReset(
                f"{self._link.url}: the controller says {told} mm where the rail was left at {left_mm:.4f} mm: it was "
                "reset or moved by somebody else, the position is lost.",
                code="count_differs",
            )

    def queried(self) -> str:
        """The controller's word for its position, a number of the unit it uses."""
        query, acknowledged = self.words.position_query or "", self.words.query_acknowledged
        return self.lines.ask(query, self._reply, acknowledged=acknowledged)

    def still_there(self) -> None:
        """Ask one that was silent for a while something that moves nothing: a reset would be noticed by it."""
        if not (self._known and self.lines.quiet):
            return
        with self._losing_the_place():
            if self.words.position_query and self._target is None:
                self._refuse_other_place()
            elif self.words.position_query:
                self.queried()
            elif (mode := mode_of(self.words)) is not None:
                self.lines.say(mode)

    def where(self) -> Where:
        """Where the rail is by reckoning, and by the controller's word where it can be asked."""
        if self._target is None:
            self.still_there()
            return self._told(resting=True)
        if not self._known:  # wait the longest move out, then say that nobody knows
            return self._told(resting=self.clock.now() >= self._due_s)
        with self._losing_the_place():
            if not self.lines.taken():
                return self._told(resting=False)
        if self.clock.now() < self._due_s:
            self.still_there()
            return self._told(resting=False)
        if self.words.position_query:
            with self._losing_the_place():
                told = self.queried()
            arrived = agrees(told, self._target, self.microsteps_per_mm)
            if not arrived and self.clock.now() < self._due_s + PLACE_S:
                return self._told(resting=False)
            self._at = self._target if arrived else round(float(told) * self.microsteps_per_mm)
        else:
            self._at = self._target
        self._target = None
        return self._told(resting=True)

    def _told(self, *, resting: bool) -> Where:
        known = self._known and self.lines.trusted
        return Where(resting=resting, known=known, position=self._at, ended="arrived" if known else "none")

    def hold(self, *, on: bool) -> None:
        """The motor stays as the controller keeps it."""
        if not on:
            raise ControllerRefused("hold", "", "the dialect gcode has no word that lets a motor go.")

    def clear(self) -> None:
        """Nothing is latched."""

    def stop(self, *, at_once: bool = False) -> None:
        """Nothing in the standard stops a move: its piece ends within a second, and none follows."""
        del at_once
