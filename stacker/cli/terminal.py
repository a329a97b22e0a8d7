"""The terminal as a keyboard, where there is one."""

from __future__ import annotations

import sys


def has_keys() -> bool:
    """Whether single keys can be read."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def drop_typed_ahead() -> None:
    """Forget what was typed while nobody read: a key held down must not move the rail for minutes."""
    if not sys.stdin.isatty():
        return
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():
            msvcrt.getwch()
    else:
        import termios

        termios.tcflush(sys.stdin, termios.TCIFLUSH)
