"""Runs on the simulated rail whose camera misfires and whose card sends pictures late, cut, twice, shuffled, or not."""

from __future__ import annotations

import random
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from darkroom.scenes import SCENES
from darkroom.stack_runs import RIGS, planned_for
from darkroom.stacks import Faults, pictures
from PIL import Image

from stacker.looking.focus_by_now import Aim
from stacker.looking.through_focus import Curve
from stacker.looking.watch import Looker, Note

SHARE = {"dark": 0.004, "half": 0.5, "good": 1.0}
FAULTS = ("none", "late", "out of order", "cut short", "doubled", "absent")
FOCUS_FAULTS = ("none", "smear", "soft", "stall", "stuck")


@dataclass
class Camera:
    """In place of the process: takes a picture at each exposure, and sends it by what is wrong with the way it comes.

    Parameters
    ----------
    folder : Path
        Where its pictures come.
    seed : int
        Of subject, noise, misfires and the way.
    fault : str
        One of `FAULTS`.
    """

    folder: Path
    seed: int
    fault: str
    ended: bool = False
    kinds: dict[int, str] = field(default_factory=dict)  # by shot
    frames: dict[int, int] = field(default_factory=dict)
    lit: int = 0

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.noise = np.random.default_rng(self.seed)
        self.subject = self.noise.uniform(50, 190, (6, 8)).repeat(16, 0).repeat(16, 1)
        self.on_the_way: list[tuple[int, Path, bytes]] = []  # due after so many exposures
        self.looker = Looker(self.folder, (), aim_of("tubes"))
        self.at = self.chance.randint(3, 12)  # the exposure about which the way is faulty

    def exposing(self, frame: int, shot: int) -> None:
        """Take a picture and send it."""
        self.looker.exposing(frame, shot)
        number = len(self.kinds) + 1
        misfired = self.lit >= 3 and self.chance.random() < 0.12 and not self.ended_dark()
        kind = self.chance.choice(("dark", "half")) if misfired else "good"
        self.kinds[shot], self.frames[shot] = kind, frame
        self.lit += kind == "good"
        stops = self.chance.gauss(0, 0.03)  # flicker of a flash
        pixels = self.subject * (SHARE[kind] * 2**stops) ** (1 / 2.2) + self.noise.normal(0, 1.5, self.subject.shape)
        path = self.folder / f"P_{number}.jpg"
        Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(path, quality=92)
        data = path.read_bytes()
        path.unlink()
        self._send(number, path, data)
        for due, to, rest in list(self.on_the_way):
            if due <= number:
                to.write_bytes(rest)
                self.on_the_way.remove((due, to, rest))

    def ended_dark(self) -> bool:
        """Whether the last picture was a misfire: two in a row are another fault."""
        return list(self.kinds.values())[-1:] != ["good"]

    def _send(self, number: int, path: Path, data: bytes) -> None:
        due = number
        if number == self.at and self.fault in ("late", "out of order", "absent"):
            due = number + (self.chance.randint(1, 6) if self.fault != "absent" else 10**6)
        elif self.fault == "late" and number > self.at:  # what comes behind it comes no sooner
            due = max(number, *(one[0] for one in self.on_the_way)) if self.on_the_way else number
        if number == self.at and self.fault == "cut short":
            cut = data[: self.chance.randrange(1, len(data) - 1)]
            self.on_the_way.append((number, path, cut))
            if self.chance.random() < 0.5:
                self.on_the_way.append((number + self.chance.randint(1, 3), path, data))
            return
        self.on_the_way.append((due, path, data))
        if number == self.at and self.fault == "doubled":
            copy = path.with_name(f"P_{number}_copy.jpg")
            self.on_the_way.append((number + self.chance.randint(0, 2), copy, data))

    def heard(self) -> list[Note]:
        """As if the process had been quick."""
        return [note for _ in range(4) for note in self.looker.scan()]


@dataclass(frozen=True)
class ToldRig:
    """What the one who looks is told of a rig: a perfect lens."""

    rig: str

    def curve(self, _pixels: tuple[int, int]) -> Curve:
        """Its through-focus curve."""
        return planned_for(RIGS[self.rig].lens)[1]

    def seam(self, step_um: float) -> float:
        """Of no weight while a run goes on."""
        return float(np.exp(-step_um))


def aim_of(rig: str, count: int = 40) -> Aim:
    """Planned depths of so many frames."""
    step_um, _ = planned_for(RIGS[rig].lens)
    return Aim(focus_um={frame: (frame - 1) * step_um for frame in range(1, count + 1)}, optics=ToldRig(rig))


class DeepCamera:
    """In place of the process: a subject in relief, one frame of which is smeared or soft, or a rail that stalls.

    Parameters
    ----------
    folder : Path
        Where its pictures come.
    scene, rig : str
        Of the darkroom.
    seed : int
        Of all chance.
    fault : str
        One of `FOCUS_FAULTS`: smeared by 3 px, shaken to all sides by 1.5 px, stalled once, stuck for good.
    count : int
        Frames of the plan.
    """

    ended = False

    def __init__(self, folder: Path, scene: str, rig: str, seed: int, fault: str, count: int = 20) -> None:
        rng = np.random.default_rng([seed, zlib.crc32(f"{scene} {rig} {fault}".encode())])
        self.folder, self.at = folder, int(rng.integers(count // 2 - 2, count // 2 + 3))  # the last good frame
        step_um, _ = planned_for(RIGS[rig].lens)
        steps = np.ones(count - 1)
        if fault in ("stall", "stuck"):
            steps[self.at - 1 : self.at if fault == "stall" else None] = 0
        planes = np.concatenate(([0], np.cumsum(steps))) - 1 + rng.normal(0, RIGS[rig].rail_scatter, count)
        wrong = {
            "smear": Faults(smear_px={self.at: (3.0, rng.uniform(0, np.pi))}),
            "soft": Faults(soft_px={self.at: 1.5}),
        }
        made = SCENES[scene]((240, 368), (count - 3) * step_um, rng)
        # the faulty frame's place once more, for when it is taken again
        at_um = np.append(planes, planes[self.at]) * step_um
        shown = pictures(made, RIGS[rig], at_um, rng, level_um=step_um / 3, faults=wrong.get(fault, Faults()))
        self.first = list(shown)
        self.again = self.first.pop()
        self.frames: dict[int, int] = {}  # by shot
        self.looker = Looker(folder, (), aim_of(rig, count))

    def exposing(self, frame: int, shot: int) -> None:
        """Take a picture and send it."""
        self.looker.exposing(frame, shot)
        grey = self.again if frame in self.frames.values() and frame == self.at + 1 else self.first[frame - 1]
        self.frames[shot] = frame
        Image.fromarray(grey).save(self.folder / f"P_{len(self.frames)}.tif")

    def heard(self) -> list[Note]:
        """As if the process had been quick."""
        return [note for _ in range(4) for note in self.looker.scan()]
