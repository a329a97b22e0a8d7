"""A planned stack with its journal, and rendered pictures of it in a folder: what ``verify --look`` is given."""

from __future__ import annotations

import os
import random
from pathlib import Path

import numpy as np
from darkroom.scenes import SCENES, Scene
from darkroom.stack_runs import RIGS
from darkroom.stacks import Faults, pictures
from PIL import Image
from verifying.evenings import Card, Evening

from stacker.documents.plan import COLUMNS
from stacker.documents.plan_file import read_plan

RIG = RIGS["tubes"]
SHAPE = (240, 368)


def planned(stacker, folder: Path, *, depth_mm: float = 1.5):
    """A plan for the rendered rig, told no more of its lens than a request tells."""
    lens = RIG.lens
    rows, columns = SHAPE
    width_mm, height_mm = columns * lens.pitch_um / 1000, rows * lens.pitch_um / 1000
    (folder / "moss.yaml").write_text(
        f"""rig: {{kind: measured, magnification: {lens.magnification}, f_number: {lens.f_number}}}
camera: {{sensor_mm: [{width_mm}, {height_mm}], pixels: [{columns}, {rows}]}}
subject: {{depth_mm: {depth_mm}, keep_clear_mm: 0}}
light: {{kind: flash, exposure_s: 0.005}}
rail: {{name: bench, travel_mm: 50, soft_limits_mm: [0, 50], lead_mm: 1, full_steps_per_turn: 200,
  microsteps_per_full_step: 16, speed_mm_s: 2, acceleration_mm_s2: 20, backlash_um: 5, link: {{url: "sim://a"}}}}
"""
    )
    done = stacker("plan", folder / "moss.yaml", "--quiet")
    assert done.code == 0, done.err
    return read_plan(folder / "moss.plan.yaml")


def shoot(
    plan,
    folder: Path,
    *,
    scene: str | Scene = "rough",
    steps: dict[int, float] | None = None,
    faults=None,
    journal: str = "moss-20310504-220000.run.jsonl",
):
    """Journal and folder of a run of it; some steps (by the frame before) are so many times the planned ones."""
    count = len(plan.frames)
    one = Evening(random=random.Random(1), frames=count, cadence_s=4.0)
    one.begin(list(range(1, count + 1)))
    rows = [list(row) for row in zip(*plan.frames.columns(), strict=True)]
    one.lines[0]["plan"] = {"name": plan.name, "digest": plan.digest, "columns": list(COLUMNS), "rows": rows}
    for frame in range(1, count + 1):
        one.shoot(frame)
    Card(resolution_s=0.01).write(folder / "card", one)
    focus_um = np.array(plan.frames.focus_um)
    moved = np.diff(focus_um)
    for frame, ratio in (steps or {}).items():
        moved[frame - 1] *= ratio
    planes_um = focus_um[0] + np.concatenate(([0.0], np.cumsum(moved)))
    rng = np.random.default_rng(3)
    made = scene if isinstance(scene, Scene) else SCENES[scene](SHAPE, focus_um[-1], rng)
    level_um = float(np.median(np.diff(focus_um))) / 3
    frames = pictures(made, RIG, planes_um, rng, level_um=level_um, faults=faults or Faults())
    for exposure, grey in zip(one.kept(), frames, strict=True):
        path = folder / "card" / f"PIC_{exposure.number:04}.jpg"
        status = path.stat()
        Image.fromarray(grey).save(path, quality=92)
        os.utime(path, ns=(status.st_mtime_ns,) * 2)
    return one.journal(folder, journal), folder / "card"
