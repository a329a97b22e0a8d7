"""A calibrated screw as a picture: how far it strays along the rail, and what comes back with every turn."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stacker.calibrating.screw import Screw
from stacker.presenting.drawing import new_figure, save_figure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_MAKER = "stacker calibrate rail"
_UP, _DOWN, _FIT = "#1b6ca8", "#c2571a", "#444444"


def screw_picture(
    path: Path,
    screw: Screw,
    *,
    lead_mm: float,
    source: str = "indicator",
    settling: tuple[NDArray[np.float64], NDArray[np.float64], float] | None = None,
) -> None:
    """Draw readings and fit into a file whose ending says its kind (svg, png, pdf).

    Parameters
    ----------
    path : Path
        The file.
    screw : Screw
        The fit, with its readings.
    lead_mm : float
        What the profile says a turn travels [mm].
    source : str
        What the readings are of.
    settling : tuple of (ndarray, ndarray, float), optional
        Delays after a move [s], how far from rest the carriage was then, and what is allowed [um].

    Raises
    ------
    Refusal
        When the extra with matplotlib is not installed, the ending is of no picture, or another file has that name.
    OSError
        When it cannot be written.
    """
    import numpy as np

    figure = new_figure(path, _MAKER, width_in=7.5, height_in=6 if settling is None else 9)

    def periodic_um(at_turns: NDArray[np.float64]) -> NDArray[np.float64]:
        wave: NDArray[np.float64] = screw.periodic_um.value * np.sin(2 * np.pi * (at_turns - screw.phase_turns))
        return wave

    along, turn, *more = figure.subplots(2 if settling is None else 3, 1)
    turns, residual_um = screw.turns, screw.residual_um
    middle, farther_um = float(np.mean(turns)), 1000 * lead_mm * screw.lead_deviation.value  # a turn
    line = np.linspace(turns.min(), turns.max(), 50 * max(4, round(np.ptp(turns))))
    for side, mark, colour, word in ((1.0, "^", _UP, "approached upward"), (-1.0, "v", _DOWN, "approached downward")):
        here = screw.approached == side
        lost_um = -side * screw.backlash_um.value / 2

        def error_um(at: NDArray[np.float64], lost_um: float = lost_um) -> NDArray[np.float64]:
            return farther_um * (at - middle) + periodic_um(at) + lost_um

        along.plot(turns[here], error_um(turns[here]) + residual_um[here], mark, color=colour, ms=5, label=word)
        along.plot(line, error_um(line), "-", color=colour, lw=0.8)
        turn.plot(turns[here] % 1, periodic_um(turns[here]) + residual_um[here], mark, color=colour, ms=5)
    whole = np.linspace(0, 1, 200)
    turn.plot(whole, periodic_um(whole), "-", color=_FIT, lw=1)
    along.set(xlabel="turns of the screw", ylabel=f"{source} less position sent, um", title="Along the rail")
    turn.set(xlabel="part of a turn", ylabel="um", xlim=(0, 1), title="Within a turn, lead and backlash taken off")
    along.legend(frameon=False)
    if settling is not None:
        delay_s, away_um, still_um = settling
        (after,) = more
        after.axhspan(-still_um, still_um, color="#dddddd", label="allowed")
        after.plot(delay_s, away_um, "o", color=_UP, ms=4)
        after.set(xlabel="s after a move", ylabel="um from rest", xscale="log", title="Shaking")
        after.set_yscale("symlog", linthresh=2 * still_um)
        for axis in (after.xaxis, after.yaxis):
            axis.set_major_formatter("{x:g}")
        after.legend(frameon=False)
    for axes in (along, turn, *more):
        axes.grid(visible=True, lw=0.3)
    save_figure(figure, path, _MAKER)
