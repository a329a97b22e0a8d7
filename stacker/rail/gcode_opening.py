"""The first words with a controller of RS274/NGC words: it may restart, greet, swallow a line, or be locked."""

from __future__ import annotations

from stacker.errors import LinkError
from stacker.rail.acknowledged import QUIET_S, AcknowledgedLines, NotAcknowledged
from stacker.rail.controller import ControllerRefused, ControllerReset
from stacker.rail.gcode_words import GcodeWords, mode_of

TRIES = 4  # one that only wakes now spends a first, and a boot loader swallows another


def open_up(lines: AcknowledgedLines, words: GcodeWords, url: str) -> None:
    """Let a board that restarts greet, ask until it acknowledges, and unlock it; nothing moves.

    Raises
    ------
    LinkError
        When it never acknowledges.
    ControllerRefused
        When it refuses, with its own words.
    """
    greeted = lines.hear_out(words.wake_s)
    lines.at_opening = list(lines.heard)
    first = mode_of(words) or words.open_contact
    refused: ControllerRefused | None = None
    for tried in range(TRIES):
        try:
            lines.say(first)
        except NotAcknowledged:
            lines.hear_out(QUIET_S)  # what answers now answers an earlier one
            lines.start_over()
            continue
        except ControllerReset:  # it only wakes now
            greeted = True
            lines.start_over()
            lines.hear_out(words.wake_s)
            continue
        except ControllerRefused as error:
            refused = error
        if tried or refused:  # the earlier ones may be acknowledged late, and a refused one too
            lines.hear_out(words.acknowledge_s)
            lines.start_over()
        break
    else:
        raise LinkError(_silent(lines, words, url, first), code="no_reply")
    _unlock(lines, words, greeted=greeted, refused=refused)


def _unlock(lines: AcknowledgedLines, words: GcodeWords, *, greeted: bool, refused: ControllerRefused | None) -> None:
    if words.unlock and (greeted or refused):
        for line in words.unlock:
            lines.say(line)
    elif refused:
        raise ControllerRefused(
            "line",
            refused.detail,
            f"{refused}. If it starts locked, write the line that unlocks it under unlock in the profile; if it does "
            "not know the word, take it out of at_start.",
        ) from refused


def _silent(lines: AcknowledgedLines, words: GcodeWords, url: str, first: str) -> str:
    wanted = " or ".join(f"'{word}'" for word in words.acknowledge)
    said = f" It said: {lines.quoted}." if lines.heard else ""
    return (
        f"{url}: no {wanted} in answer to '{first}', sent {TRIES} times after {words.wake_s:g} s of silence.{said} "
        "Look at cable, supply and baud rate; compare acknowledge in the profile with what the controller really "
        "sends; one that takes longer to start needs a longer wake_s."
    )
