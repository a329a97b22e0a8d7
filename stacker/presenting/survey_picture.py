"""A survey as a picture: where each part of the field is sharpest, and how much lies at each depth."""

from __future__ import annotations

from pathlib import Path

from stacker.looking.survey import Survey
from stacker.presenting.drawing import new_figure, save_figure

_MAKER = "stacker survey"
_UNTOLD, _EDGE, _GAP = "#b9b9b9", "#222222", "#d8c27a"


def survey_picture(path: Path, found: Survey) -> None:
    """Draw the depths into a file whose ending says its kind (svg, png, pdf).

    Raises
    ------
    Refusal
        When the extra with matplotlib is not installed, the ending is of no picture, or another file has that name.
    OSError
        When it cannot be written.
    """
    import numpy as np

    figure = new_figure(path, _MAKER, width_in=7.5, height_in=7)
    field, depths = figure.subplots(2, 1, height_ratios=(2.2, 1))
    field.set_facecolor(_UNTOLD)
    shown = field.imshow(found.depth_um / 1000, cmap="cividis_r", interpolation="nearest")
    field.set(xticks=[], yticks=[], title="Where each part is sharpest (grey: it does not tell)")
    figure.colorbar(shown, ax=field, label="mm from where the survey began")
    told = found.depth_um[np.isfinite(found.depth_um)] / 1000
    if len(told):
        depths.hist(told, bins=80, color=_EDGE)
    for low_um, high_um in found.gaps_um:
        depths.axvspan(low_um / 1000, high_um / 1000, color=_GAP)
    for edge_um in (found.front_um, found.back_um):
        if edge_um is not None:
            depths.axvline(edge_um / 1000, color=_EDGE, lw=1, ls=(0, (4, 2)))
    depths.set(
        xlabel="depth, mm",
        ylabel="parts of the field",
        title="How much lies where (dashed: front and back; bands: gaps)",
    )
    save_figure(figure, path, _MAKER)
