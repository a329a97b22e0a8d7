"""The one tree of errors: each branch has its exit code, each message says what to do next."""

from __future__ import annotations

from stacker.records import record

TOLD = 20  # faults that a message tells one by one


class StackerError(Exception):
    """Something the person must know; never shown as a traceback.

    Parameters
    ----------
    message : str
        What happened and what to do, in one or a few sentences.
    code : str
        A stable word for programs that read ``--json``.
    """

    exit_code = 1

    def __init__(self, message: str, *, code: str = "failed") -> None:
        super().__init__(message)
        self.code = code


class Refusal(StackerError):
    """The request is well formed but must not be carried out (exit code 1).

    Parameters
    ----------
    message, code
        As in `StackerError`.
    key : str or None
        The dotted key of the request or profile that decides it, so that a caller who knows the file can add the line.
    """

    def __init__(self, message: str, *, code: str = "refused", key: str | None = None) -> None:
        super().__init__(message, code=code)
        self.key = key


class LinkError(StackerError):
    """The port or the controller behind it does not answer as it must (exit code 1)."""


class RunStopped(StackerError):
    """The rail stopped before the end of a run; the journal is kept (exit code 3)."""

    exit_code = 3


@record
class Fault:
    """One fault of a file: where it is, what was found, what to write instead.

    Lines and columns count from 1; 0 means that the fault has no place in the text.
    """

    path: str
    line: int
    column: int
    key: str
    text: str

    def __str__(self) -> str:
        place = f"{self.path}:{self.line}:{self.column}" if self.line else self.path
        return f"{place}: {self.key}: {self.text}" if self.key else f"{place}: {self.text}"


class InputError(StackerError):
    """A file or an option cannot be used; all its faults together (exit code 2).

    ``faults`` holds all of them; the message tells the first ones and how many more there are.
    """

    exit_code = 2

    def __init__(self, faults: list[Fault] | tuple[Fault, ...]) -> None:
        self.faults = tuple(faults)
        lines = [str(fault) for fault in self.shown]
        if more := len(self.faults) - len(lines):
            lines.append(f"... and {more} more; correct these first")
        super().__init__("\n".join(lines), code="bad_input")

    @property
    def shown(self) -> tuple[Fault, ...]:
        """Those that the message shows."""
        return self.faults[:TOLD]
