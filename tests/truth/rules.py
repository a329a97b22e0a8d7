"""Rules of depth of field compared on set-ups fixed beforehand: frames, and what the softest place keeps.

The frames are the planner's; the contrast is not: the OTF's own integral by scipy, at the frequency where defocus
costs most, searched through every depth between two planes. ``python tests/truth/rules.py`` prints the tables of
README.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad

from stacker.documents.camera import Camera
from stacker.documents.focus import Focus
from stacker.documents.rail_profile import RailProfile
from stacker.documents.request import Request
from stacker.documents.rigs import LensRig, MeasuredRig, ObjectiveRig, Rig
from stacker.documents.subject import Subject
from stacker.planning.draft import draft_of

LAM_UM = 0.55
SMALL = Camera(sensor_mm=(23.5, 15.7), pixels=(6000, 4000))  # 3.92 um
LARGE = Camera(sensor_mm=(36, 24), pixels=(6000, 4000))  # 6 um
# So fine that rounding to whole microsteps does not show: 1 nm each.
RAIL = RailProfile(
    travel_mm=100,
    soft_limits_mm=(0, 100),
    full_steps_per_turn=1000,
    microsteps_per_full_step=100,
    lead_mm=0.1,
    speed_mm_s=1,
    acceleration_mm_s2=1,
    backlash_um=0,
)
FEW_PIXELS = Camera(sensor_mm=(24, 16), pixels=(3000, 2000))  # 8 um


def tubes(f: float, n: float, p: float, m: float) -> LensRig:
    return LensRig(focal_length_mm=f, max_magnification=0, f_number=n, pupil_magnification=p, tubes_mm=(m * f,))


def infinity(m: float, na: float) -> ObjectiveRig:
    return ObjectiveRig(magnification=m, na=na, reference_mm=190, tube_lens_mm=190)


# Fixed before anything was counted: what people shoot, from a coarse sensor wide open to a fast objective. On the
# last one the hand rule's circle happens to fit the optics: there the default does not help.
SETUPS: dict[str, tuple[Rig, Camera, float]] = {
    "0.5x f/4, 24 MP small": (tubes(60, 4, 1, 0.5), SMALL, 10),
    "1x f/5.6, 24 MP large": (tubes(100, 5.6, 0.7, 1), LARGE, 6),
    "1x f/2.8, 6 MP": (tubes(50, 2.8, 1, 1), FEW_PIXELS, 4),
    "2.5x f/4, 24 MP small": (tubes(35, 4, 1.4, 2.5), SMALL, 2),
    "5x NA 0.12, 24 MP small": (infinity(5, 0.12), SMALL, 1),
    "10x NA 0.24, 24 MP small": (infinity(10, 0.24), SMALL, 0.4),
    "1x f/11, 24 MP large": (MeasuredRig(magnification=1, f_number=11), LARGE, 6),
}


@dataclass(frozen=True, kw_only=True)
class Rule:
    """A way to find the step: a model, the overlap that goes with it, and perhaps a circle by the sensor's diagonal."""

    model: str
    overlap: float
    by_diagonal: bool = False

    def focus(self, camera: Camera, overlap: float | None = None) -> Focus:
        circle_um = math.hypot(*camera.sensor_mm) * 1000 / 1500 if self.by_diagonal else None
        return Focus(
            model=self.model, overlap=self.overlap if overlap is None else overlap, circle_um=circle_um, end_frames=0
        )


RULES: dict[str, Rule] = {
    "contrast": Rule(model="contrast", overlap=0.3),
    "quarter_wave": Rule(model="quarter_wave", overlap=0.3),
    "blur_circle": Rule(model="blur_circle", overlap=0.3),
    "sum": Rule(model="sum", overlap=0.3),
    # common practice, from memory
    "diagonal / 1500": Rule(model="blur_circle", overlap=0.0, by_diagonal=True),
    "the same, half the step": Rule(model="blur_circle", overlap=0.5, by_diagonal=True),
}


@dataclass(frozen=True, kw_only=True)
class Outcome:
    frames: int
    worst: float


def outcome(name: str, rule: Rule, overlap: float | None = None) -> Outcome:
    """Plan a set-up by a rule, and look for the softest place between two planes."""
    rig, camera, depth_mm = SETUPS[name]
    draft = draft_of(
        Request(
            rig=rig,
            camera=camera,
            subject=Subject(depth_mm=depth_mm),
            focus=rule.focus(camera, overlap),
            rail=RAIL,
        )
    )
    imaging = draft.imaging
    step_um = float(draft.planes.step_um.max())
    s = min(draft.criterion.target_lp_mm * LAM_UM * 1e-3 * imaging.effective_f_number, 0.494)
    return Outcome(frames=draft.planes.frame_count, worst=softest(s, step_um, imaging.object_na))


def softest(s: float, step_um: float, na: float) -> float:
    """The smallest signed share of the in-focus contrast within half a step of a plane of focus."""
    waves = step_um / 2 * na**2 / (1 + math.sqrt(1 - na**2)) / LAM_UM
    # the deepest reversal comes with kappa = 8 pi W s (1 - s) of about 5; past 12 nothing deeper follows
    furthest = min(waves, 12 / (8 * math.pi * s * (1 - s)))
    in_focus = _otf(s, 0.0)
    return min(_otf(s, float(w)) / in_focus for w in np.linspace(0, furthest, 120)[1:])


def _otf(s: float, waves: float) -> float:
    """Hopkins's one-dimensional form, for an even pupil."""
    value, _ = quad(lambda x: math.sqrt(1 - (x + s) ** 2) * math.cos(8 * math.pi * waves * s * x), 0, 1 - s, limit=200)
    return 4 / math.pi * value


def overlap_for_all(rule: Rule, share: float = 0.9) -> float | None:
    """The smallest overlap, in hundredths, at which a rule keeps the share on every set-up; ``None`` up to 0.95."""
    low, high = 0, 95
    if not _holds(rule, high / 100, share):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _holds(rule, middle / 100, share) else (middle, high)
    return high / 100


def _holds(rule: Rule, overlap: float, share: float) -> bool:
    return all(outcome(name, rule, overlap).worst >= share for name in SETUPS)


def table_as_used() -> Iterator[str]:
    """Frames and the softest place, each rule as it is used."""
    yield "| set-up | " + " | ".join(RULES) + " |"
    yield "| --- |" + " ---: |" * len(RULES)
    for name in SETUPS:
        cells = (outcome(name, rule) for rule in RULES.values())
        yield f"| {name} | " + " | ".join(f"{one.frames}, {one.worst:+.2f}" for one in cells) + " |"


def table_at_0_9() -> Iterator[str]:
    """Frames at the one overlap of each rule that brings every set-up to 0.9."""
    models = {name: rule for name, rule in RULES.items() if name != "the same, half the step"}
    overlaps = {name: overlap_for_all(rule) for name, rule in models.items()}
    yield "| set-up | " + " | ".join(models) + " |"
    yield "| --- |" + " ---: |" * len(models)
    yield "| overlap for all | " + " | ".join("none" if o is None else f"{o:.2f}" for o in overlaps.values()) + " |"
    totals = dict.fromkeys(models, 0)
    for name in SETUPS:
        cells = []
        for rule_name, rule in models.items():
            overlap = overlaps[rule_name]
            frames = None if overlap is None else outcome(name, rule, overlap).frames
            totals[rule_name] += frames or 0
            cells.append("-" if frames is None else str(frames))
        yield f"| {name} | " + " | ".join(cells) + " |"
    yield "| all | " + " | ".join(str(total) for total in totals.values()) + " |"


if __name__ == "__main__":
    print("\n".join([*table_as_used(), "", *table_at_0_9()]))
