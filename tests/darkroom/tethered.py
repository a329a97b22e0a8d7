"""A camera beside the simulated rail: a rendered picture in a folder for each opening of the shutter in the rail's log.

To try by hand what a run looks like with pictures that come while it goes on:

    python tests/darkroom/tethered.py moss.plan.yaml rail.log INCOMING --misfire 12 --smear 20

It shows the subject from where the carriage really stood, so a stalled rail (``stall_at``) shows. The plan must be for
the rig that is rendered (`darkroom.stack_runs.RIGS`); `cli.look_bench.planned` writes such a request.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

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


def openings(log: Path, ended: Callable[[], bool]) -> Iterator[float]:
    """Where the carriage truly stood at each opening of the shutter [microsteps], as the log grows."""
    read = 0
    while True:
        over = ended()  # asked first: what was written until then is still read
        data = log.read_bytes() if log.exists() else b""
        whole = data[read : data.rfind(b"\n") + 1]
        read += len(whole)
        for line in whole.splitlines():
            event = json.loads(line)
            if event["event"] == "shutter":
                yield float(event["position_microsteps"])
        if over:
            return
        time.sleep(_EVERY_S)


def send_pictures(
    plan: Plan,
    rig: Rig,
    scene: str,
    positions: Iterator[float],
    folder: Path,
    *,
    misfires: Collection[int] = (),
    smears: Collection[int] = (),
    shape: tuple[int, int] = (240, 368),
    seed: int = 3,
) -> int:
    """Render and send until the positions end; `misfires` and `smears` count exposures from 1."""
    rng = np.random.default_rng(seed)
    step_um = float(np.median(np.diff(plan.frames.focus_um)))
    made = SCENES[scene](shape, plan.frames.focus_um[-1], rng)
    first = next(positions, None)
    if first is None:
        return 0

    def planes_um() -> Iterator[float]:
        stops, depths_um = np.array(plan.frames.position_microsteps), np.array(plan.frames.focus_um)
        line = np.polynomial.Polynomial.fit(stops, depths_um, 1)
        yield float(line(stops[0]))
        for position in positions:
            yield float(line(stops[0] + position - first))

    number = 0
    for number, light in enumerate(scene_light(made, rig, planes_um(), step_um / 3), start=1):
        seen = smeared(light, 3.0, 0.7) if number in smears else light
        gain = (0.004 if number in misfires else 1.0) * (1 + rng.normal(0, rig.flash_scatter))
        grey = exposed(np.maximum(seen, 0) * gain, rig, rng)
        beside = folder / f".P_{number:04}.part"  # a picture appears whole, as most programs write them
        Image.fromarray(grey).save(beside, "JPEG", quality=92)
        beside.rename(folder / f"P_{number:04}.jpg")
    return number


def main() -> None:
    """By hand."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("plan", type=Path)
    asked.add_argument("log", type=Path)
    asked.add_argument("folder", type=Path)
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
            misfires=told.misfire,
            smears=told.smear,
        )
    except KeyboardInterrupt:
        print("ended")


if __name__ == "__main__":
    main()
