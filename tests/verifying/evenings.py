"""Made-up evenings for verify: a run with its journal, the files it left, and the truth about them."""

from __future__ import annotations

import json
import os
import random
from dataclasses import dataclass, field
from datetime import datetime, timezone
from pathlib import Path

from stacker.documents.plan import COLUMNS

TEN = datetime(2031, 5, 4, 22, 0, tzinfo=timezone.utc).timestamp()


@dataclass
class Exposure:
    """What the camera did once: frame (None: a test shot), time of day, number in its name."""

    frame: int | None
    at_s: float
    number: int
    gone: bool = False


@dataclass
class Evening:
    """One run being made up, then written to disk."""

    random: random.Random
    frames: int
    cadence_s: float
    jitter_s: float = 0.03
    counter: int = 100
    now_s: float = TEN
    exposures: list[Exposure] = field(default_factory=list)
    lines: list[dict] = field(default_factory=list)
    leg_s: float = TEN

    def expose(self, frame: int | None) -> None:
        self.exposures.append(Exposure(frame, self.now_s, self.counter))
        self.counter = self.counter + 1 if self.counter < 9999 else 1

    def write(self, event: str, at_s: float | None = None, **values: object) -> None:
        now_s = self.now_s if at_s is None else at_s
        self.lines.append({"event": event, **values, "t_s": round(now_s - self.leg_s, 6)})

    def begin(self, frames: list[int], *, utc: bool = True) -> None:
        """The first line of a run, or of a resume when there is one already."""
        self.leg_s = self.now_s
        clock = {"utc": datetime.fromtimestamp(self.now_s, timezone.utc).isoformat()} if utc else {}
        common = {"frames": frames, "front_at_microsteps": 50_400, "boot": 1, "software": "0", "run": "aa"}
        if self.lines:
            self.write("resume", **clock, **common, ambiguous=[])
        else:
            rows = [[n, n * 40.0] + [0] * (len(COLUMNS) - 2) for n in range(1, self.frames + 1)]
            plan = {"name": "moss", "digest": "d", "columns": list(COLUMNS), "rows": rows}
            rest = {"plan": plan, "profile_digest": "p", "kind": "all", "microsteps_per_mm": 1600}
            self.write("run", stacker_journal=1, **clock, **common, **rest)

    def shoot(self, frame: int, *, fires: bool = True, confirmed: bool = True, answered: bool = True) -> None:
        """One frame in its turn."""
        self.now_s += self.cadence_s + self.random.uniform(-self.jitter_s, self.jitter_s)
        self.write("intent", self.now_s - self.cadence_s * 0.7, frame=frame, shot=len(self.lines))
        if fires:
            self.expose(frame)
        if answered:
            self.write("exposed", self.now_s + self.random.uniform(0, 0.02), frame=frame, shot=1)
        if confirmed:
            self.write("confirmed", self.now_s + 0.1, frame=frame, shot=1, evidence="pulse")

    def test_shot(self) -> None:
        """By a person, at no rhythm of the run."""
        self.now_s += self.random.uniform(1.8, 8) * self.cadence_s + self.random.uniform(3, 30)
        self.expose(None)

    # ------------------------------------------------------------------------------------------------ to disk

    def journal(self, folder: Path, name: str = "moss-20310504-220000.run.jsonl") -> Path:
        path = folder / name
        path.write_text("".join(json.dumps(line) + "\n" for line in self.lines), encoding="utf-8")
        return path

    def kept(self) -> list[Exposure]:
        return [exposure for exposure in self.exposures if not exposure.gone]

    def missing(self) -> set[int]:
        return set(range(1, self.frames + 1)) - {exposure.frame for exposure in self.kept()}


@dataclass
class Card:
    """How a camera names and dates its files."""

    offset_s: float = 0.0
    resolution_s: float = 1.0
    lag_s: float = 0.0
    endings: tuple[str, ...] = ("jpg",)
    prefix: str = "PIC_"
    times: dict[Path, float] = field(default_factory=dict)

    def write(self, folder: Path, evening: Evening) -> None:
        folder.mkdir(exist_ok=True)
        for exposure in evening.kept():
            for ending in self.endings:
                self.file(folder / f"{self.prefix}{exposure.number:04}.{ending}", exposure.at_s, evening.random)

    def file(self, path: Path, at_s: float, chance: random.Random) -> None:
        drifted_s = at_s + 2e-5 * (at_s - TEN) + self.offset_s + chance.uniform(0, self.lag_s)
        taken_s = drifted_s // self.resolution_s * self.resolution_s
        path.write_bytes(b"")
        os.utime(path, (taken_s, taken_s))
        self.times[path] = taken_s

    def exif(self, path: Path) -> float | None:
        """In place of the EXIF reader."""
        return self.times.get(path)
