"""Made-up evenings for verify: a run with its journal, the files it left, and the truth about them."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
from dataclasses import dataclass, field
from datetime import datetime, timezone
from pathlib import Path

from stacker.documents.plan import COLUMNS
from stacker.verifying.folder import read_folder
from stacker.verifying.shots import read_run
from stacker.verifying.verify import verify

TEN = datetime(2031, 5, 4, 22, 0, tzinfo=timezone.utc).timestamp()


def picture_bytes(text: str, size: int | None = None) -> bytes:
    """A file built as a JPEG is (ITU-T T.81, annex B): start, comment, a scan of about that size, end."""
    length = random.Random(text).randrange(300, 400) if size is None else size
    scan = hashlib.shake_128(text.encode()).digest(length).replace(b"\xff", b"\xfe")  # no marker in there
    comment = (len(text.encode()) + 2).to_bytes(2, "big") + text.encode()
    header = b"\x00\x08\x01\x01\x00\x00\x3f\x00"
    return b"".join((b"\xff\xd8", b"\xff\xfe", comment, b"\xff\xda", header, scan, b"\xff\xd9"))


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
            rows = [
                [{"frame": n, "focus_um": n * 40.0, "position_microsteps": n * 64}.get(name, 0) for name in COLUMNS]
                for n in range(1, self.frames + 1)
            ]
            plan = {"name": "moss", "digest": "d", "columns": list(COLUMNS), "rows": rows}
            kind = "all" if len(frames) == self.frames else "frames"
            rest = {"plan": plan, "profile_digest": "p", "kind": kind, "microsteps_per_mm": 1600}
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

    def take_back(self, *frames: int) -> None:
        """By their pictures, frames are not as they should be: they count as not taken."""
        shots = {line["frame"]: line["shot"] for line in self.lines if line["event"] == "intent"}
        for frame in frames:
            self.write("watched", frame=frame, shot=shots[frame], seen="dark", again=True)

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
        path.write_bytes(picture_bytes(f"{path.name} {at_s}"))
        os.utime(path, (taken_s, taken_s))
        self.times[path] = taken_s

    def exif(self, path: Path) -> float | None:
        """In place of the EXIF reader."""
        return self.times.get(path)


def without_exif(_):
    return None


def verdict_on(journals, folder, **more):
    """Of a plan that was run once."""
    (verdict,) = verify([read_run(journal) for journal in journals], folder, **more)
    return verdict


def evening(frames=12, cadence_s=3.0, chance=None, **more):
    one = Evening(random=chance or random.Random(frames), frames=frames, cadence_s=cadence_s, **more)
    one.begin(list(range(1, frames + 1)))
    for frame in range(1, frames + 1):
        one.shoot(frame)
    return one


def judge(one, tmp_path, card=None, **more):
    card = card or Card(offset_s=-4321.7)
    card.write(tmp_path / "card", one)
    return verdict_on([one.journal(tmp_path)], read_folder(tmp_path / "card", exif=card.exif), **more)


def lose(one, *frames):
    for exposure in one.exposures:
        exposure.gone = exposure.gone or exposure.frame in frames
    return one


def made_up(seed):
    """An evening where much goes wrong, and the card that its files are on."""
    chance = random.Random(seed)
    n = chance.choice([3, 7, 20, 60, 120])
    one = Evening(
        random=chance,
        frames=n,
        cadence_s=chance.choice([1.2, 2.1, 3.0, 4.7, 11.0]),
        jitter_s=chance.choice([0.005, 0.03, 0.2]),
        counter=chance.choice([100, 9999 - n // 2, 9990]),
    )
    for _ in range(chance.choice([0, 0, 1, 3])):
        one.test_shot()
    one.now_s += 20
    asleep = {chance.randint(1, n) for _ in range(chance.choice([0, 0, 0, 0, 1, 2]))}
    stop = chance.randint(2, n) if chance.random() < 0.25 else None
    one.begin(list(range(1, n + 1)))
    for frame in range(1, n + 1):
        if frame == stop:
            ending = chance.randrange(3)
            one.shoot(frame, fires=ending > 0, confirmed=False, answered=ending == 2)
            one.now_s += chance.uniform(20, 400)
            if chance.random() < 0.3:
                one.test_shot()
                one.now_s += chance.uniform(20, 60)
            one.begin(list(range(frame, n + 1)))
        one.shoot(frame, fires=frame not in asleep)
    for _ in range(chance.choice([0, 0, 1, 3])):
        one.test_shot()
    lose(one, *(chance.choice([1, n, chance.randint(1, n)]) for _ in range(chance.choice([0, 0, 1, 1, 2, 5]))))
    if chance.random() < 0.3:
        for exposure in one.exposures:
            exposure.gone = exposure.gone or (exposure.frame is None and chance.random() < 0.5)
    clock = chance.choice(["exif", "exif", "subsecond", "file", "card"])
    card = Card(
        offset_s=chance.uniform(-90_000, 90_000),
        resolution_s={"exif": 1, "subsecond": 0.01, "file": 0.01, "card": 2}[clock],
        lag_s=0.4 if clock in {"file", "card"} else 0,
        endings=chance.choice([("jpg",), ("jpg", "rw9"), ("rw9",)]),
    )
    return one, card, card.exif if clock in {"exif", "subsecond"} else without_exif


def shuffled(card, folder, chance):
    """Two files change names, or a file is copied."""
    ending = chance.choice(card.endings)
    files = sorted(folder.glob(f"*.{ending}"))
    if len(files) > 3 and chance.random() < 0.3:
        a, b = chance.sample(files, 2)
        aside = a.with_name("aside")
        a.rename(aside)
        b.rename(a)
        aside.rename(b)
        card.times[a], card.times[b] = card.times[b], card.times[a]
    if files and chance.random() < 0.2:
        a = chance.choice(files)
        copy = a.with_name(f"{a.stem} (1){a.suffix}")
        shutil.copy2(a, copy)
        card.times[copy] = card.times[a]
