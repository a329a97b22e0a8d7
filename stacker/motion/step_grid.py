"""The step grid: what a microstep is worth, and whole microsteps from micrometres.

A rail only stops on whole microsteps, so every length is rounded exactly once, here, and is an ``int`` from
then on. Nothing in this module needs numpy unless it is handed an array: the half that drives loads none.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# 3.4 mm read from a file and divided by a microstep of 0.625 um must give 5440 and not 5439.999999999999, or
# a plan would lose a microstep a frame to the last bit of a float. A billionth of a microstep is far below what
# any screw resolves; the second term keeps the allowance above the spacing of doubles for very large counts.
_NOISE_STEPS = 1e-9
_NOISE_SHARE = 2.0**-50


def whole_down(steps: float) -> int:
    """Largest whole number of steps that fits; float noise just under a whole number counts as that number.

    Parameters
    ----------
    steps : float
        Any finite length in units of a step [-].

    Returns
    -------
    int

    Raises
    ------
    ValueError, OverflowError
        If `steps` is not finite.
    """
    return math.floor(steps + _NOISE_STEPS + abs(steps) * _NOISE_SHARE)


def whole_up(steps: float) -> int:
    """Smallest whole number of steps that reaches; the mirror image of `whole_down`."""
    return -whole_down(-steps)


def whole_down_each(steps: NDArray[np.float64]) -> NDArray[np.int64]:
    """`whole_down` for every element of an array (any shape, finite, below 2**62)."""
    import numpy as np

    return np.floor(steps + _NOISE_STEPS + np.abs(steps) * _NOISE_SHARE).astype(np.int64)


def microstep_um(
    *,
    lead_mm: float,
    full_steps_per_turn: int,
    microsteps_per_full_step: int,
    motor_turns_per_screw_turn: float = 1.0,
) -> float:
    """Travel of the rail for one microstep of its motor [um].

    Parameters
    ----------
    lead_mm : float
        Travel per turn of the screw [mm]; on a screw of several starts the lead, not the pitch.
    full_steps_per_turn : int
        Full steps per turn of the motor [-]; 200 for a 1.8 degree motor.
    microsteps_per_full_step : int
        Microsteps the driver makes of a full step [-].
    motor_turns_per_screw_turn : float
        Reduction between motor and screw [-]; 1 for a direct coupling.
    """
    return 1000.0 * lead_mm / (full_steps_per_turn * microsteps_per_full_step * motor_turns_per_screw_turn)


def division_um(*, mm_per_turn: float, divisions: int) -> float:
    """Travel of a hand rail for one division of its dial [um]: what a microstep is to a motor."""
    return 1000.0 * mm_per_turn / divisions
