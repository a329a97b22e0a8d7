"""Frames taken again while the run still goes on, on the word of somebody who looks at the pictures as they come.

The run tells the watcher of each exposure and asks what it has found since; it never waits for an answer. Whatever the
watcher says can only do two things: take a frame again that this run has confirmed, a few times at most, or stop the
run with its frames kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from stacker.documents.journal_values import CLOSING
from stacker.driving.run import Run
from stacker.driving.watcher import Finding
from stacker.errors import RunStopped
from stacker.figures import one_line
from stacker.rail.stops import PositionLost


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
        self._judged: set[int] = set()  # exposures: each once

    def confirmed(self, frame: int, shot: int) -> None:
        """The run has this frame by this exposure."""
        self._taken[frame] = shot

    def frames(self) -> list[int]:
        """What is to be taken again now.

        Raises
        ------
        RunStopped
            When frames in a row are dark, or the plane of focus does not move on: then the position is lost.
        """
        again, ends = list[int](), list[Finding]()
        for finding in self._run.watcher.poll():
            # of an exposure that was made again meanwhile, or that this run never confirmed, nobody needs to hear
            if finding.frame == CLOSING or self._taken.get(finding.frame) != finding.shot:
                continue
            if finding.stops_as:
                ends.append(finding)
            elif finding.shot not in self._judged and self._once_more(finding):
                again.append(finding.frame)
            self._judged.add(finding.shot)
        if ends:
            self._stop(ends)
        return again

    def _once_more(self, finding: Finding) -> bool:
        """Whether a frame is taken again; it is told and written down either way."""
        times, name = self._times.get(finding.frame, 0), self._run.job.named(finding.frame)
        once_more = times < self._run.job.shutter.repeats
        self._write(finding.frame, finding.shot, finding.seen, again=once_more)
        if once_more:
            del self._taken[finding.frame]
            self._times[finding.frame] = times + 1
            self._run.person.notify(f"{name} is {finding.seen}: taken again.")
        else:
            self._run.person.notify(
                f"{name} is {finding.seen}, and was taken again {times} times: it stays as it is (shutter.repeats)."
            )
        return once_more

    def _stop(self, ends: Sequence[Finding]) -> None:
        """All that was taken since counts as not taken: what was not looked at need not be better."""
        first = min(ends, key=lambda one: one.shot)
        said = {one.frame: one.seen for one in ends}
        name = self._run.job.named(first.frame)
        since = sorted((shot, frame) for frame, shot in self._taken.items() if shot >= first.shot and frame != CLOSING)
        for shot, frame in since:
            self._write(frame, shot, said.get(frame, f"taken after {name}"), again=True)
        names = ", ".join(self._run.job.number(frame) for _, frame in since)
        seen = one_line(first.seen)
        not_taken = f"Counted as not taken from there on: {names}."
        if first.stops_as == "dark":
            raise RunStopped(
                f"from {name} on, pictures are dark: {seen}. Look at the flash, its batteries and its cable. "
                f"{not_taken}",
                code="dark",
            )
        raise PositionLost(
            f"{name} is {seen}, by their pictures: the rail stalled or slipped, or the subject moved with it. Look at "
            f"what holds it up, at speed and current. {not_taken}",
            code=first.stops_as,
        )

    def _write(self, frame: int, shot: int, seen: str, *, again: bool) -> None:
        self._journal.write("watched", frame=frame, shot=shot, seen=one_line(seen), again=again)
