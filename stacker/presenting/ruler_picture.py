"""A measured ruler as a picture: how far each line lies from where the fit has it, band by band."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stacker.presenting.drawing import new_figure, save_figure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_MAKER = "stacker calibrate scale"
_COLOURS = ("#1b6ca8", "#c2571a", "#3b7d3b")
_MARKS = ("^", "o", "v")


def ruler_picture(
    path: Path, *, place: NDArray[np.float64], residual_px: NDArray[np.float64], spacing_px: float
) -> None:
    """Draw the lines of a ruler into a file whose ending says its kind (svg, png, pdf).

    Parameters
    ----------
    path : Path
        The file.
    place : ndarray, shape (n,)
        Number of each line.
    residual_px : ndarray, shape (bands, n)
        How far it lies from where the fit has it, in each band [px].
    spacing_px : float
        From line to line [px].

    Raises
    ------
    Refusal
        When the extra with matplotlib is not installed, the ending is of no picture, or another file has that name.
    """
    figure = new_figure(path, _MAKER, width_in=7.5, height_in=3.6)
    axes = figure.subplots()
    for number, (residual, colour, mark) in enumerate(zip(residual_px, _COLOURS, _MARKS, strict=True), start=1):
        axes.plot(place, residual, mark, color=colour, ms=4, label=f"band {number}")
    axes.axhline(0, color="#444444", lw=0.8)
    axes.set(
        xlabel="line of the ruler",
        ylabel="pixels from where the fit has it",
        title=f"{len(place)} lines, {spacing_px:.2f} pixels apart at the centre",
    )
    axes.legend(frameon=False, ncols=3)
    axes.grid(visible=True, lw=0.3)
    save_figure(figure, path, _MAKER)
