"""A measured lens as a picture: contrast through focus, as seen and as fitted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stacker.presenting.drawing import new_figure, save_figure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_MAKER = "stacker calibrate lens"


def lens_picture(
    path: Path,
    *,
    positions_um: NDArray[np.float64],
    kept: NDArray[np.float64],
    place_um: NDArray[np.float64],
    shares: NDArray[np.float64],
    title: str,
) -> None:
    """Draw a through-focus curve into a file whose ending says its kind (svg, png, pdf).

    Parameters
    ----------
    path : Path
        The file.
    positions_um, kept : ndarray, shape (frames,)
        Rail positions [um], and the share of contrast seen there.
    place_um, shares : ndarray, shape (n,)
        The fitted curve.
    title : str

    Raises
    ------
    Refusal
        When the extra with matplotlib is not installed, the ending is of no picture, or another file has that name.
    """
    figure = new_figure(path, _MAKER, width_in=7.5, height_in=4)
    axes = figure.subplots()
    axes.plot(place_um, shares, "-", color="#444444", lw=1, label="perfect lens of this f-number")
    axes.plot(positions_um, kept, "o", color="#1b6ca8", ms=5, label="seen")
    axes.axhline(0, color="#444444", lw=0.5)
    axes.set(xlabel="rail, um", ylabel="share of the contrast in focus", title=title)
    axes.legend(frameon=False)
    axes.grid(visible=True, lw=0.3)
    save_figure(figure, path, _MAKER)
