"""A camera beside the simulated rail: a rendered picture in a folder for each opening of the shutter in the rail's log.

To try by hand what a run looks like with pictures that come while it goes on:

    python tests/darkroom/tethered.py moss.plan.yaml rail.log INCOMING --front-at 64000 --misfire 12 --smear 20

It shows the subject from where the carriage really stood, so a stalled rail (``stall_at``) shows. The plan must be for
the rig that is rendered (`darkroom.stack_runs.RIGS`); `cli.look_bench.planned` writes such a request.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from darkroom.scenes import SCENES
from darkroom.stack_runs import RIGS
from darkroom.stacks import Rig, exposed, scene_light, smeared
from PIL import Image

from stacker.documents.plan import Plan
from stacker.documents.plan_file import read_plan

_EVERY_S = 0.02


def openings(log: Path, ended: Callable[[], bool]) -> Iterator[dict[str, Any]]:
    """Each opening of the shutter, and where the carriage truly stood [microsteps], as the log grows."""
    read = 0
    while True:
        over = ended()  # asked first: what was written until then is still read
        data = log.read_bytes() if log.exists() else b""
        whole = data[read : data.rfind(b"\n") + 1]
        read += len(whole)
        for line in whole.splitlines():
            event = json.loads(line)
            if event["event"] == "shutter":
                yield event
        if over:
            return
        time.sleep(_EVERY_S)


def send_pictures(
    plan: Plan,
    rig: Rig,
    scene: str,
    opened: Iterator[dict[str, Any]],
    folder: Path,
    *,
    front_at: int,
    began_s: float | None = None,
    counter: int = 0,
    misfires: Collection[int] = (),
    smears: Collection[int] = (),
    shape: tuple[int, int] = (240, 368),
    seed: int = 3,
) -> int:
    """Render and send until there are no more; `misfires` and `smears` count exposures from 1.

    Pictures are of the time when they are written, or so long after `began_s` as the log has it.
    """
    rng = np.random.default_rng(seed)
    depths_um = np.array(plan.frames.focus_um)
    made = SCENES[scene](shape, depths_um[-1], rng)
    line = np.polynomial.Polynomial.fit(np.array(plan.frames.position_microsteps), depths_um, 1)
    events: list[dict[str, Any]] = []

    def planes_um() -> Iterator[float]:
        for event in opened:
            events.append(event)
            yield float(line(event["position_microsteps"] - front_at))

    level_um = float(np.median(np.diff(depths_um))) / 3
    for number, light in enumerate(scene_light(made, rig, planes_um(), level_um), start=1):
        seen = smeared(light, 3.0, 0.7) if number in smears else light
        gain = (0.004 if number in misfires else 1.0) * (1 + rng.normal(0, rig.flash_scatter))
        name = f"P_{counter + number:04}"
        beside = folder / f".{name}.part"  # a picture appears whole, as most programs write them
        Image.fromarray(exposed(np.maximum(seen, 0) * gain, rig, rng)).save(beside, "JPEG", quality=92)
        if began_s is not None:
            os.utime(beside, (began_s + events[-1]["time_s"],) * 2)
        beside.rename(folder / f"{name}.jpg")
    return counter + len(events)


def main() -> None:
    """By hand."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("plan", type=Path)
    asked.add_argument("log", type=Path)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--front-at", type=int, required=True, help="microsteps from the low end of the rail")
    asked.add_argument("--rig", default="tubes", choices=[*RIGS])
    asked.add_argument("--scene", default="rough", choices=[*SCENES])
    asked.add_argument("--misfire", type=int, action="append", default=[], help="exposure without a flash")
    asked.add_argument("--smear", type=int, action="append", default=[], help="exposure during which something moved")
    told = asked.parse_args()
    told.folder.mkdir(exist_ok=True)
    try:
        send_pictures(
            read_plan(told.plan),
            RIGS[told.rig],
            told.scene,
            openings(told.log, lambda: False),
            told.folder,
            front_at=told.front_at,
            misfires=told.misfire,
            smears=told.smear,
        )
    except KeyboardInterrupt:
        print("ended")


if __name__ == "__main__":
    main()
