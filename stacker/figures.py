"""Figures and foreign words as a person reads them, and names of files as they are typed."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence

# What commands a terminal (C0, DEL, C1) or turns the order of what is read (marks, embeddings and isolates of the
# Unicode Bidirectional Algorithm, UAX #9), invisible tags (Unicode block Tags), and surrogates, by which Python stands
# for bytes of a file's name that are no text. Line end and tabulator stay.
COMMANDS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff\U000e0000-\U000e007f]"
)
_LINE_ENDS = re.compile("[\t\n\u2028\u2029]")
_PLAIN = re.compile(r"[\w+:./-]+")
_IN_QUOTES = re.compile(r"[\w+:./ ~@%=,#^&;()<>|{}\[\]'*?-]+")  # between quotation marks only themselves
_POWERSHELL = re.compile("[$`\u201c\u201d\u201e]")  # the last three are quotation marks to it


def harmless(text: str) -> str:
    """A text in which every sign that would command a terminal, or turn the order of reading, is a question mark."""
    return COMMANDS.sub("?", text)


def one_line(text: str) -> str:
    """The same, and a line end cannot make a second line of it."""
    return _LINE_ENDS.sub("?", harmless(text))


_HARDLY_SEEN = 0.03  # of an exposure; a third of a stop is 0.26


def significant(value: float | None, digits: int = 3) -> str:
    """A number to a few significant digits, never in exponents between a thousandth and 10^9; '?' for none."""
    if value is None:
        return "?"
    if value == 0:
        return "0"
    text = f"{value:.{digits}g}"
    if "e" in text:
        return f"{value:.0f}" if 1 <= abs(value) < 1e9 else text
    return text


def shutter_time(seconds: float) -> str:
    """A shutter time: 1/160 s, 0.5 s, 2 s."""
    if seconds < 0.3 and abs(round(1 / seconds) * seconds - 1) < _HARDLY_SEEN:
        return f"1/{1 / seconds:.0f} s"
    return f"{significant(seconds)} s"


def clock(seconds: float) -> str:
    """A time as a clock shows it: 0:48, 12:05, 1:05:00."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def chance(risk: float | None) -> str:
    """A probability as a person reads it."""
    if risk is None:
        return "unknown"
    return "under one in a billion" if not risk else "over 0.99" if risk > 0.99 else significant(risk, 2)


def as_typed(path: object, *, windows: bool = sys.platform == "win32") -> str:
    """A path as part of a command that can be pasted: whatever its name holds, no shell does anything but open it.

    Parameters
    ----------
    path : object
        The path; what is printed is its text.
    windows : bool
        For the two shells there, in one form: quotation marks keep cmd and PowerShell from all signs but a dollar sign
        and a grave accent, which PowerShell wants behind a grave accent. (cmd still puts in variables between percent
        signs: then the file is not found.)
    """
    text = str(path)
    if text.startswith("-"):  # no option
        text = f"./{text}"
    judged = text.replace("\\", "/") if windows else text
    if _PLAIN.fullmatch(judged):
        return text
    if _IN_QUOTES.fullmatch(judged):
        return f'"{text}"'
    if windows:
        return '"' + _POWERSHELL.sub(r"`\g<0>", text) + '"'
    return "'" + text.replace("'", "'\"'\"'") + "'"


def at_port(url: str | None) -> str:
    """``--url`` behind the name of a command's file, for a command that follows upon one where it was given."""
    return f" --url {as_typed(url)}" if url else ""


def typed_mm(mm: float) -> str:
    """A position to be typed again: to a nanometre, so that it comes back as the same microstep."""
    return f"{mm:.6f}".rstrip("0").rstrip(".")


def spans(frames: Sequence[int]) -> str:
    """Frame numbers as ``--frames`` takes them: 7-12,20."""
    runs: list[list[int]] = []
    for frame in frames:
        if runs and frame == runs[-1][-1] + 1:
            runs[-1][1:] = [frame]
        else:
            runs.append([frame])
    return ",".join("-".join(map(str, run)) for run in runs)


def counted(number: int, word: str) -> str:
    """So many of something: 1 frame, 2 frames."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def install_command(extra: str) -> str:
    """The command that adds an extra to the Python that is running, in a folder with the source: no index has it."""
    return f'{as_typed(sys.executable)} -m pip install ".[{extra}]"'
