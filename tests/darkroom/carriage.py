"""A carriage with a screw, a motor, play and a shake of known truth, and a camera that sees where it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stacker.documents.measuring_run import MeasureStop


@dataclass(frozen=True, kw_only=True)
class Carriage:
    """The truth that the estimator is not told; positions sent count in um by the lead of the profile."""

    lead_mm: float = 1.0  # of the profile
    deviation: float = 0.002  # of the true lead
    periodic_um: float = 2.5
    phase: float = 0.15  # of the turn
    backlash_um: float = 14.0
    repeatability_um: float = 0.25
    microstep_um: float = 0.25  # amplitude at a full step
    full_step_um: float = 5.0
    swing_um: float = 15.0  # at arrival
    tau_s: float = 0.15
    ring_hz: float = 31.0
    drift_um: float = 0.0  # of the camera, over the whole run
    bump: tuple[int, float] = (0, 0.0)  # from this exposure on the camera looks so far aside [um]

    def settle_s(self, still_um: float) -> float:
        """When the swing is so small."""
        return self.tau_s * float(np.log(self.swing_um / still_um))

    def places_um(
        self, stops: Sequence[MeasureStop], microstep_um: float, delay_s: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        """Where the target stands at each exposure."""
        sent = np.array([stop.position for stop in stops]) * microstep_um
        side = np.array([stop.approached for stop in stops])
        turn = sent / (1000 * self.lead_mm)
        screw = sent * (1 + self.deviation) + self.periodic_um * np.sin(2 * np.pi * (turn - self.phase))
        motor = self.microstep_um * np.sin(2 * np.pi * sent / self.full_step_um + 0.7)
        play = np.where(side > 0, 0.0, self.backlash_um)
        shake = self.swing_um * np.exp(-delay_s / self.tau_s) * np.cos(2 * np.pi * self.ring_hz * delay_s + 0.4)
        camera = self.drift_um * np.linspace(0, 1, len(stops))
        camera = camera + self.bump[1] * (np.arange(len(stops)) >= self.bump[0] - 1 if self.bump[0] else 0)
        return screw + motor + play + shake + camera + rng.normal(0, self.repeatability_um, len(stops))
