"""Dialect ``gcode``: a controller that takes RS274/NGC words and says no more than that it took them.

Sent are the lines of the profile's `at_start` (G21 G90 G94: mm, absolute, feed a minute), G92 (name the present place),
G1 with F, the two words of the contact (M8, M9), and G4 P0 where the profile says that its acknowledgement means
arrival; each on a line of its own, one outstanding. What the answers look like has no standard: the profile says it.

An acknowledgement means taken, not done. A move therefore counts as ended at its predicted end, counted from the
acknowledgement, plus a margin, or when the dwell behind it is acknowledged; with a position query the controller must
also say that it is there. Acknowledgements carry no number: after one that failed to come, or came unasked, no later
one can be trusted, and the run ends. Nothing in the standard stops a move, so the rail cuts moves into pieces of at
most a second, and a stop acts between them.

A controller that restarts forgets its place, and its greeting may be lost. So every piece is told where it begins:
whatever was forgotten, none is longer than itself. And whoever was silent for a tenth of a second is asked something
that changes nothing: one that restarts meanwhile does not answer.

References
----------
T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter, Version 3, NISTIR 6556, 2000: line and numbers
(3.3), G1 (3.5.2), G4 (3.5.4), G92 (3.5.18), F under G94 (3.5.19), coolant M8 and M9 (3.6.4).
"""

from __future__ import annotations

import math
from dataclasses import replace

from stacker.errors import LinkError, Refusal, RunStopped
from stacker.rail.acknowledged import NotAcknowledged
from stacker.rail.controller import ControllerRefused, Identity, ShotState
from stacker.rail.gcode_moves import GcodeMoves
from stacker.rail.gcode_opening import open_up
from stacker.rail.gcode_words import GcodeWords
from stacker.rail.link import Lines
from stacker.rail.shutter import Ambiguous

SLICE_S = 0.05


class GcodeController(GcodeMoves):
    """A controller that takes RS274/NGC words.

    Parameters
    ----------
    link : Lines
        Open.
    words : GcodeWords
        Its answers.
    microsteps_per_mm : float
        Of the rail.
    """

    def __init__(self, link: Lines, words: GcodeWords, *, microsteps_per_mm: float) -> None:
        super().__init__(link, words, microsteps_per_mm=microsteps_per_mm)
        self._pulse_s, self._busy_s = 0.2, 0.0
        self._shot, self._closed_s = 0, -math.inf

    # -- who is there

    def connect(self) -> Identity:
        """Let a board that restarts greet, then see whether it acknowledges; nothing moves.

        Raises
        ------
        LinkError
            When it does not, or refuses.
        """
        open_up(self.lines, self.words, self._link.url)
        return Identity(name="RS274/NGC controller", version=0, boot=0, microsteps_per_turn=None)

    def take_over(self) -> None:
        """Send the lines of every opening, and open the contact."""
        for line in (*self.words.at_start, self.words.open_contact):
            self.lines.say(line)

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

        That comes before the rail settles. An answer to this line that came twice is heard until then; right behind
        it, it would be taken for the one to the trigger, whether that was heard or not.
        """
        with self._losing_the_place():
            self.lines.say(self.words.open_contact)
        self._busy_s = busy_s

    def fire(self, shot: int, position: int) -> ShotState:
        """Close the contact for a pulse, once for each shot number and after `set_busy`; returns when it is open again.

        Raises
        ------
        Ambiguous
            When the trigger was not acknowledged: it may have fired, and is never sent twice.
        ControllerReset, NotAcknowledged
            When the controller was lost while the contact was closed: nobody confirms that shot.
        """
        if shot <= self._shot:
            raise ControllerRefused("shot", str(self._shot), f"shot {shot} was already made.")
        if not self._known or self._target is not None or position != self._at:
            raise ControllerRefused("place", "", f"the rail does not stand at {position} microsteps: nothing fired.")
        self._shot, before_s = shot, self.clock.now()
        try:
            with self._losing_the_place():
                self.lines.say(self.words.close_contact)
        except (RunStopped, LinkError) as error:
            self.lines.say_blindly(self.words.open_contact)  # a contact must not stay closed
            raise Ambiguous(f"shot {shot} may have fired or not: {error}", code="ambiguous") from error
        self._closed_s = self.clock.now()
        try:
            self._hold_contact()
            with self._losing_the_place():
                self.lines.say(self.words.open_contact)
                self._refuse_other_place()
        except (RunStopped, LinkError):
            self.lines.say_blindly(self.words.open_contact)  # a contact must not stay closed
            raise
        return replace(self.shot(), held_s=self.clock.now() - before_s)

    def _hold_contact(self) -> None:
        opens_s = self._closed_s + self._pulse_s
        while self.clock.now() < opens_s:
            if opens_s - self.clock.now() > SLICE_S:
                self.still_there()  # this takes time
            self.clock.sleep(min(opens_s - self.clock.now(), SLICE_S))
            self.attend()

    def shot(self) -> ShotState:
        """What is known of the last shot: an acknowledgement too many puts it in doubt.

        Raises
        ------
        Ambiguous
            For that.
        """
        try:
            with self._losing_the_place():
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
