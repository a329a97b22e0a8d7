"""Frames taken again while the run still goes on, on the word of somebody who looks at the pictures as they come.

The run tells the watcher of each exposure and asks what it has found since; it never waits for an answer. Whatever the
watcher says can only do two things: take a frame again that this run has confirmed, a few times at most, or stop the
run with its frames kept.
"""

from __future__ import annotations

from typing import Any, Protocol

from stacker.documents.journal_values import CLOSING
from stacker.driving.run import Run
from stacker.driving.watcher import Finding
from stacker.errors import RunStopped
from stacker.figures import one_line, spans


class EventLog(Protocol):
    """What a run writes down as it goes: a journal, or nothing at all in a dry run."""

    def write(self, event: str, **values: Any) -> None:
        """Keep one event; returns when it is on the disk, where the event demands it."""


class Again:
    """Which frames of a run are taken again.

    Parameters
    ----------
    run : Run
        With its watcher.
    journal : EventLog
        Keeps why.
    """

    def __init__(self, run: Run, journal: EventLog) -> None:
        self._run, self._journal = run, journal
        self._taken: dict[int, int] = {}
        self._times: dict[int, int] = {}

    def confirmed(self, frame: int, shot: int) -> None:
        """The run has this frame by this exposure."""
        self._taken[frame] = shot

    def frames(self) -> list[int]:
        """What is to be taken again now.

        Raises
        ------
        RunStopped
            When frames in a row are dark.
        """
        again, ends = list[int](), list[Finding]()
        for finding in self._run.watcher.poll():
            # of an exposure that was made again meanwhile, or that this run never confirmed, nobody needs to hear
            if finding.frame == CLOSING or self._taken.get(finding.frame) != finding.shot:
                continue
            del self._taken[finding.frame]  # until it is taken again it is judged once
            times, name = self._times.get(finding.frame, 0), self._run.job.named(finding.frame)
            once_more = finding.ends or times < self._run.job.shutter.repeats
            self._journal.write(
                "watched", frame=finding.frame, shot=finding.shot, seen=one_line(finding.seen), again=once_more
            )
            if finding.ends:
                ends.append(finding)
            elif once_more:
                self._times[finding.frame] = times + 1
                again.append(finding.frame)
                self._run.person.notify(f"{name} is {finding.seen}: taken again.")
            else:
                self._run.person.notify(
                    f"{name} is {finding.seen}, and was taken again {times} times: it stays as it is (shutter.repeats)."
                )
        if ends:
            dark, seen = spans(sorted(one.frame for one in ends)), one_line(ends[-1].seen)
            raise RunStopped(
                f"frames {dark} are dark, by their pictures: {seen}. Look at the flash, its batteries and its cable. "
                "They count as not taken.",
                code="dark",
            )
        return again
