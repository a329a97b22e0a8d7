"""What a controller's word for its position is worth: whether it means a microstep, and what is wrong if it cannot."""

from __future__ import annotations

import re

from stacker.rail.gcode_words import GcodeWords

_NUMBER = r"\s*([-+]?\d+(?:\.\d*)?|[-+]?\.\d+)"
_MM_AN_INCH = 25.4
_LIKE = 0.02  # a ratio that close to a known one is that one


def reply_pattern(words: GcodeWords) -> re.Pattern[str]:
    """What holds the position in an answer, the number as its one group."""
    return re.compile(re.escape(words.position_reply or "").replace(re.escape("{mm}"), _NUMBER))


def agrees(told: str, position: int, microsteps_per_mm: float) -> bool:
    """Whether an answer means this microstep, as far as its decimals can tell."""
    decimals = len(told.partition(".")[2])
    return abs(float(told) - position / microsteps_per_mm) <= 0.5 * (10.0**-decimals + 1 / microsteps_per_mm)


def what_is_wrong(told: str, position: int, microsteps_per_mm: float, words: GcodeWords) -> str:
    """Why a controller that was just told its place answers another one, and which key of the profile does not fit."""
    named_mm, told_mm = position / microsteps_per_mm, float(told)
    ratio = told_mm / named_mm if named_mm else 0.0
    if abs(ratio * _MM_AN_INCH - 1) < _LIKE:
        return f"{told} is {named_mm:g} mm in inches: let it report mm, or send G21 in at_start."
    if abs(ratio / microsteps_per_mm - 1) < _LIKE:
        return f"{told} counts microsteps: write a position_reply that picks the number in mm."
    return (
        f"position_reply '{words.position_reply}' picks a number that G92 does not set (a place counted from its own "
        "origin, or another axis): pick the one that follows G92, or leave position_query out."
    )
