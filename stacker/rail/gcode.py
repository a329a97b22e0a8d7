"""Dialect ``gcode``: a controller that takes RS274/NGC words and says no more than that it took them.

Sent are G21 G90 G94 (mm, absolute, feed a minute), G92 (name the present place), G1 with F, M8 and M9 (contact closed,
open), each on a line of its own, one line outstanding. What the answers look like has no standard: the profile says it.

An acknowledgement means taken, not done. A move therefore counts as ended at its predicted end, counted from the
acknowledgement, plus a margin; with a position query the controller must also say that it is there. Acknowledgements
carry no number: after one that failed to come, or came unasked, no later one can be trusted, and the run ends. Nothing
in the standard stops a move, so the rail cuts moves into pieces of at most a second, and a stop acts between them.

References
----------
T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter, Version 3, NISTIR 6556, 2000: line and numbers
(3.3), G1 (3.5.2), G92 (3.5.18), F under G94 (3.5.19), coolant M8 and M9 (3.6.4).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from stacker.errors import LinkError, Refusal, RunStopped
from stacker.motion.move_time import PIECE_S, move_time_s
from stacker.rail.acknowledged import AcknowledgedLines, GcodeWords, NotAcknowledged
from stacker.rail.controller import ControllerRefused, ControllerReset, Identity, ShotState, Where
from stacker.rail.link import Link
from stacker.rail.shutter import Ambiguous

SLICE_S = 0.05
PLACE_S = 0.5  # a queried position may lag that long behind the predicted end and its margin
_NUMBER = r"\s*([-+]?\d+(?:\.\d*)?|[-+]?\.\d+)"


class GcodeController:
    """A controller that takes RS274/NGC words.

    Parameters
    ----------
    link : Link
        Open.
    words : GcodeWords
        Its answers.
    microsteps_per_mm : float
        Of the rail.
    """

    def __init__(self, link: Link, words: GcodeWords, *, microsteps_per_mm: float) -> None:
        self._link, self._words, self._per_mm = link, words, microsteps_per_mm
        self.clock = link.clock
        self.session, self.poll_s, self.lead_s = "", 0.25, 0.0
        self.longest_move_s: float | None = PIECE_S
        self.bounds: tuple[int, int] | None = None
        self._reply = re.compile(re.escape(words.position_reply or "").replace(re.escape("{mm}"), _NUMBER))
        self.lines = AcknowledgedLines(link, words)
        self._known = False
        self._speed = self._acceleration = 1
        self._at = 0  # where the rail is, or was before the move that is under way [microsteps]
        self._target: int | None = None  # where that move ends
        self._due_s = 0.0  # when
        self._pulse_s, self._busy_s = 0.2, 0.0
        self._shot, self._closed_s = 0, -math.inf

    @property
    def attend(self) -> Callable[[], None]:
        """Called while waiting for an answer."""
        return self.lines.attend

    @attend.setter
    def attend(self, attend: Callable[[], None]) -> None:
        self.lines.attend = attend

    # -- who is there

    def connect(self) -> Identity:
        """Let a board that starts anew greet, then see whether it acknowledges; nothing moves.

        Raises
        ------
        LinkError
            When it does not.
        """
        self.lines.greeted()
        try:
            self.lines.say("G21")
        except NotAcknowledged:
            words = " or ".join(f"'{word}'" for word in self._words.acknowledge)
            raise LinkError(
                f"{self._link.url}: no {words} in answer to 'G21'. Look at cable, supply and baud rate; compare "
                "acknowledge in the profile with what the controller really sends.",
                code="no_reply",
            ) from None
        return Identity(name="RS274/NGC controller", version=0, boot=0, microsteps_per_turn=None)

    def take_over(self) -> None:
        """Set units and modes, and open the contact."""
        for line in ("G21", "G90", "G94", "M9"):
            self.lines.say(line)

    def configure(self, *, speed: int, acceleration: int, deadman_s: float) -> None:
        """Note speed and acceleration: the feed goes with every move, the acceleration is the controller's own."""
        del deadman_s
        self._speed, self._acceleration = speed, acceleration

    # -- moves

    def _mm(self, microsteps: int) -> str:
        """A position as a number of the language: no exponent, to a nanometre, so that microsteps stay apart."""
        text = f"{microsteps / self._per_mm:.6f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text

    def set_limits(self, low: int, high: int) -> None:
        """Set the limits; the controller has no word for them."""
        self.bounds = (low, high)

    def declare(self, position: int) -> None:
        """Name the present place."""
        self.bounds = None
        self.lines.say(f"G92 {self._words.axis}{self._mm(position)}")
        self._at, self._target, self._known = position, None, True

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
        self._refuse_other_place()
        took_s = move_time_s(position - self._at, speed_mm_s=self._speed, acceleration_mm_s2=self._acceleration)
        latest_s = self.clock.now() + self._words.acknowledge_s
        self._target, self._due_s = position, latest_s + took_s + self._words.arrival_margin_s
        feed = f"{self._speed / self._per_mm * 60:.3f}".rstrip("0").rstrip(".")
        try:
            self.lines.say(f"G1 {self._words.axis}{self._mm(position)} F{feed}")
        except (RunStopped, ControllerRefused, LinkError):
            self._known = False  # it may have gone there or not
            raise
        self._due_s = self.clock.now() + took_s + self._words.arrival_margin_s

    def _refuse_other_place(self) -> None:
        """Before a move: a controller that forgot where it is would ram the rail into its end."""
        if self._words.position_query and not self._agrees(told := self._queried(), self._at):
            self._known = False
            raise ControllerReset(
                f"{self._link.url}: the controller says {told} mm where the rail was left at "
                f"{self._at / self._per_mm:.4f} mm: it was reset or moved by somebody else, the position is lost.",
                code="count_differs",
            )

    def _queried(self) -> str:
        query, acknowledged = self._words.position_query or "", self._words.query_acknowledged
        return self.lines.ask(query, self._reply, acknowledged=acknowledged)

    def _agrees(self, told: str, position: int) -> bool:
        """Whether an answer means this microstep, as far as its decimals can tell."""
        decimals = len(told.partition(".")[2])
        return abs(float(told) - position / self._per_mm) <= 0.5 * (10.0**-decimals + 1 / self._per_mm)

    def where(self) -> Where:
        """Where the rail is by reckoning, and by the controller's word where it can be asked."""
        if self._target is not None:
            if self.clock.now() < self._due_s:
                return self._told(resting=False)
            if self._words.position_query and self._known and self.lines.trusted:
                arrived = self._agrees(told := self._queried(), self._target)
                if not arrived and self.clock.now() < self._due_s + PLACE_S:
                    return self._told(resting=False)
                self._at = self._target if arrived else round(float(told) * self._per_mm)
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

    # -- exposures

    def set_shutter(self, *, pulse_s: float, focus_s: float, sync_s: float) -> None:
        """Set how long the contact stays closed.

        Raises
        ------
        Refusal
            For a focus or sync contact: there is one output and no input.
        """
        if focus_s or sync_s:
            raise Refusal("the dialect gcode has one output (M8) and no input: focus_s and sync_s must be 0.")
        self._pulse_s = pulse_s

    def set_busy(self, busy_s: float) -> None:
        """Count a shot as in progress that long after the contact closed, and open it: else it could not close again.

        That comes before the rail settles. An answer to M9 that came twice is heard until then; right behind M9 it
        would be taken for the one to M8, whether that was heard or not.
        """
        self.lines.say("M9")
        self._busy_s = busy_s

    def fire(self, shot: int, position: int) -> ShotState:
        """Close the contact for a pulse, once for each shot number and after `set_busy`; returns when it is open again.

        Raises
        ------
        Ambiguous
            When the trigger was not acknowledged: it may have fired, and is never sent twice.
        """
        if shot <= self._shot:
            raise ControllerRefused("shot", str(self._shot), f"shot {shot} was made already.")
        if not self._known or self._target is not None or position != self._at:
            raise ControllerRefused("place", "", f"the rail does not stand at {position} microsteps: nothing fired.")
        self._shot = shot
        try:
            self.lines.say("M8")
        except (RunStopped, LinkError, ControllerRefused) as error:
            self.lines.say_blindly("M9")  # a contact must not stay closed
            raise Ambiguous(f"shot {shot} may have fired or not: {error}", code="ambiguous") from error
        self._closed_s = self.clock.now()
        while (left_s := self._closed_s + self._pulse_s - self.clock.now()) > 0:
            self.clock.sleep(min(left_s, SLICE_S))
            self.attend()
        try:
            self.lines.say("M9")
        except (RunStopped, LinkError):
            self.lines.say_blindly("M9")  # a contact must not stay closed
            raise
        return self.shot()

    def shot(self) -> ShotState:
        """What is known of the last shot: an acknowledgement too many puts it in doubt.

        Raises
        ------
        Ambiguous
            For that.
        """
        try:
            self.lines.listen()
        except NotAcknowledged as error:
            raise Ambiguous(f"shot {self._shot} may have fired or not: {error}", code="ambiguous") from error
        return ShotState(
            shot=self._shot,
            over=self.clock.now() >= self._closed_s + self._busy_s,
            cut=False,
            sync="unwired",
            closed_s=self._closed_s,
        )

    def close(self) -> None:
        """Let go of the port."""
        self._link.close()
