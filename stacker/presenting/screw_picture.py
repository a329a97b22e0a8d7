"""A calibrated screw as a picture: how far it strays along the rail, and what comes back with every turn."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.documents.files import write_whole
from stacker.errors import Refusal
from stacker.presenting.svg import require_matplotlib

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_MADE_BY = {"svg": "Creator", "png": "Software", "pdf": "Creator"}  # where each kind says who made it
_MAKER = "stacker calibrate rail"
_LARGEST = 20_000_000  # bytes; such a picture has a hundred thousand
_UP, _DOWN, _FIT = "#1b6ca8", "#c2571a", "#444444"


def screw_picture(
    path: Path,
    *,
    turns: NDArray[np.float64],
    approached: NDArray[np.float64],
    residual_um: NDArray[np.float64],
    lead_um_per_turn: float,
    amplitude_um: float,
    phase_turns: float,
    backlash_um: float,
) -> None:
    """Draw readings and fit into a file whose ending says its kind (svg, png, pdf).

    Parameters
    ----------
    path : Path
        The file.
    turns, approached, residual_um : ndarray, shape (n,)
        Place of each reading [turns of the screw]; 1 from below, -1 from above; what the fit leaves of it [um].
    lead_um_per_turn : float
        How much a turn travels farther than the profile says [um].
    amplitude_um, phase_turns : float
        Periodic error [um], and where in the turn it rises through zero [turns].
    backlash_um : float
        Lost motion [um].

    Raises
    ------
    Refusal
        When the extra with matplotlib is not installed, the ending is of no picture, or another file has that name.
    OSError
        When it cannot be written.
    """
    require_matplotlib()
    import numpy as np
    from matplotlib.figure import Figure

    kind = path.suffix[1:].lower()
    if kind not in _MADE_BY:
        raise Refusal(f"{path}: found '{path.suffix}'; end the name in .svg, .png or .pdf", code="picture_kind")
    _keep_other_files(path)

    def periodic_um(at_turns: NDArray[np.float64]) -> NDArray[np.float64]:
        wave: NDArray[np.float64] = amplitude_um * np.sin(2 * np.pi * (at_turns - phase_turns))
        return wave

    figure = Figure(figsize=(7.5, 6), layout="constrained")
    along, turn = figure.subplots(2, 1)
    middle = float(np.mean(turns))
    line = np.linspace(turns.min(), turns.max(), 50 * max(4, round(np.ptp(turns))))
    for side, mark, colour, word in ((1.0, "^", _UP, "approached upward"), (-1.0, "v", _DOWN, "approached downward")):
        here = approached == side
        lost_um = -side * backlash_um / 2

        def error_um(at: NDArray[np.float64], lost_um: float = lost_um) -> NDArray[np.float64]:
            return lead_um_per_turn * (at - middle) + periodic_um(at) + lost_um

        along.plot(turns[here], error_um(turns[here]) + residual_um[here], mark, color=colour, ms=5, label=word)
        along.plot(line, error_um(line), "-", color=colour, lw=0.8)
        turn.plot(turns[here] % 1, periodic_um(turns[here]) + residual_um[here], mark, color=colour, ms=5)
    whole = np.linspace(0, 1, 200)
    turn.plot(whole, periodic_um(whole), "-", color=_FIT, lw=1)
    along.set(xlabel="turns of the screw", ylabel="indicator less position sent, um", title="Along the rail")
    turn.set(xlabel="part of a turn", ylabel="um", xlim=(0, 1), title="Within a turn, lead and backlash taken off")
    along.legend(frameon=False)
    for axes in (along, turn):
        axes.grid(visible=True, lw=0.3)
    drawn = io.BytesIO()
    figure.savefig(drawn, format=kind, metadata={_MADE_BY[kind]: _MAKER})
    write_whole(path, drawn.getvalue())


def _keep_other_files(path: Path) -> None:
    """Draw over an older picture of a screw alone."""
    if not path.exists():
        return
    ours = path.is_file() and path.stat().st_size < _LARGEST and _MAKER.encode() in path.read_bytes()
    if not ours and not (path.is_file() and not path.stat().st_size):
        raise Refusal(
            f"{path} exists and is no picture of this command; choose another name for --picture", code="exists"
        )
