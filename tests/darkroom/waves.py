"""A texture that is a sum of plane waves: known between the pixels too, so it can be laid anywhere exactly."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Waves:
    """Waves of random ways, frequencies and phases, each as strong as the others.

    Parameters
    ----------
    finest, coarsest : float
        Of their frequencies [cycles a pixel].
    way_rad : float or None
        All lie this way, from across to down; None for any.
    """

    seed: int = 1
    count: int = 400
    coarsest: float = 0.03
    finest: float = 0.45
    way_rad: float | None = None
    waves: np.ndarray = field(init=False)  # down, across [cycles a pixel], phase [rad]

    def __post_init__(self) -> None:
        rng = np.random.default_rng([self.seed, 77])
        radius = np.sqrt(rng.uniform(self.coarsest**2, self.finest**2, self.count))  # as many in each area
        way = rng.uniform(0, np.pi, self.count) if self.way_rad is None else np.full(self.count, self.way_rad)
        phase = rng.uniform(0, 2 * np.pi, self.count)
        object.__setattr__(self, "waves", np.stack([radius * np.sin(way), radius * np.cos(way), phase]))

    def at(self, y: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Brightness at places [px]: 0 in the mean, standard deviation 1."""
        down, across, phase = self.waves
        turn = 2 * np.pi * (np.multiply.outer(y, down) + np.multiply.outer(x, across)) + phase
        return np.cos(turn).sum(axis=-1) * np.sqrt(2 / self.count)

    def picture(self, shape: tuple[int, int], shift: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
        """What lies `shift` farther down and across than unmoved."""
        down, across, phase = self.waves
        y, x = (np.arange(size) - moved for size, moved in zip(shape, shift, strict=True))
        rows = np.exp(1j * (2 * np.pi * np.multiply.outer(y, down) + phase))
        columns = np.exp(2j * np.pi * np.multiply.outer(x, across))
        return (rows @ columns.T).real * np.sqrt(2 / self.count)
