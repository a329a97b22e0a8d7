"""What a controller of RS274/NGC words is sent and what it answers: no standard says that, so the rail profile does."""

from __future__ import annotations

from dataclasses import dataclass

from stacker.motion.move_time import PIECE_S

MODES = ("G21", "G90", "G94")  # mm, absolute, feed a minute (NISTIR 6556, 3.5.7, 3.5.15, 3.5.19): they move nothing


@dataclass(frozen=True, kw_only=True, slots=True)
class GcodeWords:
    """What a controller is sent and answers, as the rail profile says.

    Parameters
    ----------
    acknowledge, refuse, greeting : tuple of str
        Beginnings of lines that acknowledge and that refuse; what a greeting holds, by which a reset is noticed.
    unlock, at_start : tuple of str
        Lines after a greeting; lines at every opening.
    close_contact, open_contact : str
        Lines that close and open the camera's contact.
    acknowledge_s, wake_s, arrival_margin_s : float
        How long an acknowledgement is awaited; silence after opening; margin after the predicted end of a move [s].
    piece_s : float
        How long a piece of a move takes at most [s]: nothing stops one under way.
    answer_s : float
        How long an acknowledgement takes [s], as far as a dry run needs it.
    arrival : str
        ``margin``, or ``dwell``: the acknowledgement of a dwell of no length comes when the move has ended.
    axis : str
        The rail's axis.
    position_query, position_reply : str or None
        A line that asks for the position; what the answer holds, with ``{mm}`` for the number.
    query_acknowledged : bool
        Whether a query is acknowledged beside its answer.
    keeps_motor_on : bool or None
        Whether the motor is held at rest; None: not known.
    exposure_seen : bool
        Whether a person saw the camera fire.
    measured_10_mm : float or None
        How far the rail went when 10 mm were ordered, if it was measured with a profile like this one [mm].
    """

    acknowledge: tuple[str, ...]
    refuse: tuple[str, ...] = ()
    greeting: tuple[str, ...] = ()
    unlock: tuple[str, ...] = ()
    at_start: tuple[str, ...] = MODES
    close_contact: str = "M8"
    open_contact: str = "M9"
    acknowledge_s: float = 3.0
    wake_s: float = 3.0
    piece_s: float = PIECE_S
    answer_s: float = 0.01
    arrival: str = "margin"
    arrival_margin_s: float = 0.5
    axis: str = "X"
    position_query: str | None = None
    position_reply: str | None = None
    query_acknowledged: bool = True
    keeps_motor_on: bool | None = None
    exposure_seen: bool = False
    measured_10_mm: float | None = None

    @property
    def mode(self) -> str | None:
        """A line that changes nothing, to see whether the controller still answers; None: the profile sends none."""
        return next((line for line in self.at_start if line in MODES), None)

    def acknowledges(self, text: str) -> bool:
        """Whether a line acknowledges: it begins with one of the words, and the word ends there."""
        return any(_begins(text, word) for word in self.acknowledge)

    def refuses(self, text: str) -> bool:
        """Whether a line refuses, asked or not."""
        return any(text.startswith(word) for word in self.refuse)

    def greets(self, text: str) -> bool:
        """Whether a line holds the greeting: what a reset cut short may stand before it."""
        return any(word in text for word in self.greeting)


def _begins(text: str, word: str) -> bool:
    return text.startswith(word) and not text[len(word) : len(word) + 1].isalnum()
