"""The camera's own program takes the frame: any command, started without a shell."""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from typing import IO, Any

from stacker.errors import Refusal, RunStopped
from stacker.figures import harmless
from stacker.rail.rail import SLICE_S, Rail
from stacker.rail.shutter import Ambiguous

_END_S = 5.0  # a command that was told to end gets that long before it is ended
_LAST_WORDS = 200  # characters of what it said


class CommandShutter:
    """A command that takes one frame and ends when it is taken.

    Parameters
    ----------
    rail : Rail
        Stands still meanwhile.
    command : sequence of str
        Program and arguments.
    timeout_s : float
        How long it may take [s].
    delay_s : float
        From the order to the open shutter: mirror and lag [s].
    start : callable
        Starts a process, as `subprocess.Popen` does.
    now_s : callable
        Seconds of real time, which a process lives in even where the rail is simulated.
    """

    def __init__(
        self,
        rail: Rail,
        command: Sequence[str],
        *,
        timeout_s: float,
        delay_s: float = 0.0,
        start: Callable[..., Any] = subprocess.Popen,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._rail, self._command, self._timeout_s, self._delay_s = rail, command, timeout_s, delay_s
        self._start, self._now_s = start, now_s

    def set_up(self) -> None:
        """Nothing to set."""

    def next_shot(self, at_least: int) -> int:
        """Any number does."""
        return at_least

    def prepare(self, exposure_s: float) -> None:
        """Nothing to set."""

    def lead_s(self) -> float:
        """How long a command takes to get to the shutter is not known."""
        return 0.0

    def fire(self, shot: int, position: int) -> float:
        """Run the command to its end; the shutter may have opened as late as that.

        Raises
        ------
        Refusal
            When it cannot be started, or what it says cannot be kept.
        Ambiguous
            When it took too long.
        RunStopped
            When it says that it failed.
        """
        del position
        with self._words_kept() as said:  # not a pipe: it never fills up, and no grandchild keeps it open
            self._run(shot, said)
        return self._rail.clock.now()

    def _words_kept(self) -> IO[bytes]:
        try:
            return tempfile.TemporaryFile()
        except OSError as error:
            raise Refusal(
                f"no temporary file for what {self._command[0]} says ({error.strerror or error}): it was not "
                "started, and the frame counts as not taken. Make room on the disk, or let TMPDIR (on Windows TEMP) "
                "name a folder that has some.",
                code="temporary_file",
            ) from error

    def _run(self, shot: int, said: IO[bytes]) -> None:
        command = self._command
        process = self._started(command, said)
        give_up_s = self._now_s() + self._timeout_s
        try:
            while (code := _code_after(process, SLICE_S)) is None and self._now_s() < give_up_s:
                self._rail.attend()
        except BaseException:
            _end(process)
            raise
        if code is None:
            _end(process)
            raise Ambiguous(
                f"{command[0]} took longer than timeout_s ({self._timeout_s:g} s) and was ended: shot {shot} "
                "may have been made or not.",
                code="ambiguous",
            )
        if code != 0:
            raise RunStopped(
                f"{command[0]} failed (exit code {code}){_last_words(said)}. The frame counts as not taken.",
                code="command_failed",
            )

    def _started(self, command: Sequence[str], said: IO[bytes]) -> Any:
        try:
            return self._start(
                list(command),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=said,
                # Ctrl-C is for the run: the frame under way is finished
                start_new_session=True,
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        except OSError as error:
            raise Refusal(
                f"the shutter's command {command[0]} cannot be started ({error.strerror or error}): write its whole "
                "path.",
                code="command",
                key="rail.shutter.command",
            ) from error

    def outcome(self, shot: int, opened_s: float, exposure_s: float) -> str:
        """Wait as if the exposure began when the command ended: some only trigger."""
        del shot
        self._rail.wait_until(opened_s + self._delay_s + exposure_s, through=True)
        return "command"

    def close(self) -> None:
        """Nothing to let go of."""


def _code_after(process: Any, seconds: float) -> int | None:
    """The exit code, or None when the process runs on."""
    try:
        code: int = process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        return None
    return code


def _end(process: Any) -> None:
    process.terminate()
    if _code_after(process, _END_S) is None:
        process.kill()
        process.wait()


def _last_words(said: IO[bytes]) -> str:
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - 4 * _LAST_WORDS))  # it may have said gigabytes
    words = " ".join(said.read().decode("utf-8", "replace").split())[-_LAST_WORDS:]
    return f": {harmless(words)}" if words else ""
