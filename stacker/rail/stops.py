"""Why a rail does not go on: what the person wants, and what the controller's word for the end of a motion means."""

from __future__ import annotations

from enum import IntEnum

from stacker.errors import RunStopped
from stacker.rail.controller import ControllerRefused, Where


class StopOrder(IntEnum):
    """What the person wants of a run: go on, stop gently, stop at once."""

    GO_ON = 0
    STOP = 1
    STOP_AT_ONCE = 2


class Interrupted(RunStopped):
    """The person stopped the run."""

    def __init__(self) -> None:
        super().__init__("stopped by hand.", code="interrupted")


class PositionLost(RunStopped):
    """The controller no longer knows where the rail is, or it is not where it was sent."""


# Why a motion ended before its target, in the controller's words (protocol page, section 5).
ENDINGS = {
    "stop": "a stop was ordered",
    "sudden": "it was stopped at once",
    "low": "the limit switch at the low end was hit",
    "high": "the limit switch at the high end was hit",
    "deadman": "the computer did not ask for too long (was it asleep?)",
    "supply": "the motor lost its supply",
    "off": "the motor was let go",
    "missed": "a seek did not find its switch",
}
# Refusals behind which something happened that ended a motion, or may have moved the rail (section 10).
BY_WHAT_HAPPENED = ("stopped", "lost", "switch", "supply", "unheld", "place")


def ended_early(where: Where, position: int) -> RunStopped:
    """A rail that rests elsewhere than it was sent, or no longer knows where, as an error.

    Parameters
    ----------
    where : Where
        The controller's word at rest.
    position : int
        Where it was sent [microsteps].
    """
    why = ENDINGS.get(where.ended, "")
    if not where.known:
        return PositionLost(
            f"the rail stopped before {position} microsteps: {why or 'its position is lost'}. "
            "Look at the rail, focus the front again, then go on with --resume.",
            code=where.ended if where.ended in ENDINGS else "lost",
        )
    if where.ended == "arrived" or not why:
        return PositionLost(
            f"the controller counts {where.position} microsteps where {position} was ordered: the counts differ. "
            "Focus the front again, then go on with --resume.",
            code="count_differs",
        )
    return RunStopped(
        f"the rail stopped at {where.position} microsteps on its way to {position}: {why}. Go on with --resume.",
        code=where.ended,
    )


def what_happened(refused: ControllerRefused, where: Where) -> RunStopped:
    """A refusal in `BY_WHAT_HAPPENED` as the end of the run that it is.

    Parameters
    ----------
    refused : ControllerRefused
        The controller's no.
    where : Where
        Its word after that.
    """
    why = ENDINGS.get(where.ended, "")
    kind = RunStopped if where.known and refused.reason != "place" else PositionLost
    text = f"{refused} {why.capitalize()}." if why else str(refused)
    return kind(text, code=where.ended if why else refused.reason)
