"""What a journal tells about exposures: when each may have been made, and whether that is certain."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from stacker.documents.journal import Past, past_of, read_records
from stacker.documents.journal_values import CLOSING
from stacker.verifying.alignment import Window
from stacker.verifying.legs import Leg

_REPLY_S = 0.15  # the controller's answer comes that soon after the contact closed, unless a line was damaged
_UNANSWERED_S = 30.0  # no answer was written down: the shutter may have opened within that time


@dataclass(frozen=True, kw_only=True, slots=True)
class Shot:
    """One closing of the shutter contact.

    Parameters
    ----------
    frame : int
        Frame of the plan; 0: the closing frame, or none, by its own picture.
    confirmed : bool
        Whether the journal confirms the exposure; otherwise it made no picture or one.
    counts : bool
        Whether the contact surely closed, so that a picture found there is this one.
    window : Window
        When.
    taken_back : int
        Frame that it would be, had its picture not shown that it counts as not taken; 0: nothing was taken back.
    """

    frame: int
    confirmed: bool
    counts: bool
    window: Window
    taken_back: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class ShotLeg:
    """The shots of a part of a run, from its start or a resume on.

    Parameters
    ----------
    begins_s : float or None
        Time of day at 0 of its clock [s]; None: not written down.
    shots : tuple of Shot
        In order.
    """

    begins_s: float | None
    shots: tuple[Shot, ...]

    @property
    def leg(self) -> Leg:
        """What the alignment needs of it."""
        return Leg(begins_s=self.begins_s, windows=tuple(shot.window for shot in self.shots))

    def numbered(self, numbers: Mapping[int, int] | None) -> ShotLeg:
        """The same with the frame numbers of another plan; what that does not have counts as a closing frame."""
        if numbers is None:
            return self
        numbers = {CLOSING: CLOSING, **numbers}
        shots = (
            replace(shot, frame=numbers.get(shot.frame, CLOSING), taken_back=numbers.get(shot.taken_back, CLOSING))
            for shot in self.shots
        )
        return replace(self, shots=tuple(shots))


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """A journal, read once.

    Parameters
    ----------
    path : Path
        The journal.
    past : Past
        What it tells of the run.
    legs : tuple of ShotLeg
        Its parts that have shots.
    """

    path: Path
    past: Past
    legs: tuple[ShotLeg, ...]


def read_run(path: Path) -> Run:
    """Read a journal.

    Parameters
    ----------
    path : Path
        The journal.

    Raises
    ------
    InputError
        When it is no journal or damaged.
    """
    records, whole_bytes = read_records(path)
    past = past_of(records, whole_bytes)
    legs: list[tuple[float | None, list[dict[str, Any]]]] = []
    for record in records:
        if record["event"] in ("run", "resume"):
            # a simulated rail in compressed time: what its clock shows is no time of day, and nobody can join two legs
            utc = None if record.get("compressed") else record.get("utc")
            # the line is written when its clock shows t_s
            begins_s = None if utc is None else datetime.fromisoformat(utc).timestamp() - record["t_s"]
            legs.append((begins_s, []))
        else:
            legs[-1][1].append(record)
    ends_s = [begins_s for begins_s, _ in legs[1:]] + [None]
    read = [
        ShotLeg(begins_s=begins_s, shots=tuple(_shots(events, _lasts_s(begins_s, end_s))))
        for (begins_s, events), end_s in zip(legs, ends_s, strict=True)
    ]
    return Run(path=path, past=past, legs=tuple(leg for leg in read if leg.shots))


def _lasts_s(begins_s: float | None, next_s: float | None) -> float:
    """Until the run went on: no shot of before can have fired later."""
    return math.inf if begins_s is None or next_s is None else next_s - begins_s


def _shots(events: list[dict[str, Any]], lasts_s: float) -> list[Shot]:
    shots: list[dict[str, Any]] = []
    for event in events:
        if event["event"] == "intent":
            shots.append({"intent": event})
        elif event["event"] in ("exposed", "confirmed") and shots:
            shots[-1][event["event"]] = event
        elif event["event"] == "undone" or event.get("again"):  # a person took their word back, or a picture did
            for shot in shots:
                if shot["intent"]["shot"] == event["shot"]:
                    shot[event["event"]] = event
    return [_shot(shot, lasts_s) for shot in shots]


def _shot(lines: dict[str, Any], lasts_s: float) -> Shot:
    first_s = lines["intent"]["t_s"]
    answer = lines.get("exposed") or lines.get("confirmed")
    ended = answer or lines.get("undone")
    late_s = max(first_s, min(first_s + _UNANSWERED_S, lasts_s)) if ended is None else ended["t_s"]
    by_hand = lines.get("confirmed", {}).get("evidence") == "person"  # who presses the release, then the key
    early_s = first_s if answer is None or by_hand else max(first_s, late_s - _REPLY_S)
    frame, back = lines["intent"]["frame"], "watched" in lines
    return Shot(
        frame=CLOSING if back else frame,
        confirmed="confirmed" in lines and "undone" not in lines,
        counts=answer is not None and "undone" not in lines,
        window=Window(early_s=early_s, late_s=late_s, first_s=first_s),
        taken_back=frame if back else CLOSING,
    )
