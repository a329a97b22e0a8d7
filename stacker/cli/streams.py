"""Standard output and standard error behind a screen: what is told comes from files, cables and other programs."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from stacker.figures import harmless


class Screened(io.TextIOBase):
    """A stream through which no control sequence gets to a terminal, wherever the text is from.

    A carriage return at the very start of a text is our own: progress writes over its line. There is no ``fileno`` and
    no ``buffer``: with either, click would find its way around the screen.

    Parameters
    ----------
    below : TextIO
        The stream itself.
    """

    def __init__(self, below: Any) -> None:
        super().__init__()
        self.below = below

    def write(self, text: str, /) -> int:
        """Write the text, every sign that commands a terminal as a question mark."""
        own = "\r" if text.startswith("\r") else ""
        self.below.write(own + harmless(text[len(own) :]))
        return len(text)

    def flush(self) -> None:
        """Pass on what is held back."""
        self.below.flush()

    def close(self) -> None:
        """Nothing: whoever opened the stream closes it. An object that goes is closed too, perhaps after its stream."""

    def isatty(self) -> bool:
        """Whether a person is reading."""
        return bool(self.below.isatty())

    def writable(self) -> bool:
        """Always."""
        return True

    @property
    def encoding(self) -> str:  # type: ignore[override]  # a plain attribute there
        """Of the stream itself."""
        return str(self.below.encoding)

    @property
    def errors(self) -> str:  # type: ignore[override]
        """Of the stream itself."""
        return str(self.below.errors)


@contextmanager
def screened() -> Iterator[None]:
    """Put both streams of the process behind a screen."""
    streams = sys.stdout, sys.stderr
    for stream in streams:
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that lacks a sign shows "?" and never a traceback
    sys.stdout, sys.stderr = Screened(streams[0]), Screened(streams[1])
    try:
        yield
    finally:
        sys.stdout, sys.stderr = streams


def drop(stream: Any) -> None:
    """Send what a stream still holds nowhere: its reader is gone, or its disk is full, and it was told."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.below.fileno())


def write_bytes(data: bytes) -> None:
    """Write a result whose every byte counts, line ends too: a text stream of some systems would change them."""
    sys.stdout.flush()
    below: Any = getattr(sys.stdout, "below", sys.stdout)
    below.buffer.write(data)
    below.buffer.flush()
