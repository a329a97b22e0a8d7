"""The pictures of the page of a look: light over the frames, steps with their errors, depth over the picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from stacker.looking.depths import Depths
from stacker.looking.light import Light
from stacker.presenting.page import figure_section
from stacker.presenting.report_pictures import width_in
from stacker.presenting.svg import FAINT, INK, ONE, STRONG, new_figure

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

_FARTHEST_STOPS = 3.0  # a dark frame is drawn at the foot of the picture: what is hard to see is near 0
_LEVELS = 8  # of depth, in the table


# ------------------------------------------------------------------------------------------------------------ light


def light_section(light: Light, name: str, which: str) -> str:
    """Light over the frames; `which` stack and picture of a bracket, where there are several."""
    off = {frame: one for one in light.off for frame in one.frames}
    said = (
        f"{len(off)} of {len(light.compared)} frames {'is' if len(off) == 1 else 'are'} off"
        if off
        else "No frame is off"
    )
    stops = {frame: off[frame].stops if frame in off else usual for frame, usual in light.stops.items()}
    rows = (
        (str(frame), "clipped" if more is None else f"{more:+.2f}", "off" if frame in off else "")
        for frame, more in stops.items()
    )
    return figure_section(
        name,
        f"Light beside the neighbours{which}",
        f"{said}; what differs by less than {light.least_stops:.2f} stops is not told.",
        "Zero is the light of the frames on both sides; frames off are rings, and what is farther off than the picture "
        "reaches is at its edge. Stops by the tone curve of sRGB.",
        lambda narrow: _light_view(stops, frozenset(off), light.least_stops, narrow=narrow),
        ("frame", "stops", "found"),
        rows,
    )


def _light_view(stops: Mapping[int, float | None], off: frozenset[int], least_stops: float, *, narrow: bool) -> Figure:
    from matplotlib.ticker import MaxNLocator

    figure = new_figure(width_in(narrow=narrow), 2.4)
    axes = figure.subplots()
    axes.axhspan(-least_stops, least_stops, color=FAINT, alpha=0.15, linewidth=0)
    farthest = max([1.0, *(min(abs(more), _FARTHEST_STOPS) for more in stops.values() if more is not None)])
    drawn = {frame: farthest if more is None else min(max(more, -farthest), farthest) for frame, more in stops.items()}
    usual, odd = [frame for frame in drawn if frame not in off], [frame for frame in drawn if frame in off]
    axes.plot(usual, [drawn[frame] for frame in usual], "o", color=ONE, markersize=3)
    axes.plot(odd, [drawn[frame] for frame in odd], "o", markerfacecolor="none", markeredgecolor=STRONG, markersize=7)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set(xlabel="frame, front to back", ylabel="stops", ylim=(-1.15 * farthest, 1.15 * farthest))
    return figure


# ------------------------------------------------------------------------------------------------------------ steps


def steps_section(depths: Depths, name: str, which: str) -> str:
    """Steps with their errors; empty where none is told."""
    told = [one for one in depths.between if one.step.ratio is not None]
    if not told:
        return ""
    off = len(depths.off)
    wrong = "none of them is off" if not off else f"{off} of them {'is' if off == 1 else 'are'} off"
    rows = (
        (
            f"{one.frames[0]} to {one.frames[1]}",
            "" if one.step.ratio is None else f"{one.step.ratio:.2f}",
            "" if one.step.standard_error is None else f"{one.step.standard_error:.2f}",
            "off" if one.step.off else one.step.reason or "",
        )
        for one in depths.between
    )
    return figure_section(
        name,
        f"Steps of the plane of focus{which}",
        f"{len(told)} of {len(depths.between)} steps are told, {wrong}.",
        "As a share of the planned step, beside the steps around; bars are one standard error. Below stand those that "
        "cannot be told.",
        lambda narrow: _steps_view(depths, narrow=narrow),
        ("step", "share", "error", "found"),
        rows,
    )


def _steps_view(depths: Depths, *, narrow: bool) -> Figure:
    from matplotlib.ticker import MaxNLocator

    figure = new_figure(width_in(narrow=narrow), 2.4)
    axes = figure.subplots()
    axes.axhline(1, color=FAINT, linewidth=0.6)
    for one in depths.between:
        middle = sum(one.frames) / 2
        if one.step.ratio is None:
            axes.plot([middle], [0], "|", color=FAINT, markersize=6)
            continue
        color = STRONG if one.step.off else ONE
        axes.errorbar([middle], [one.step.ratio], yerr=one.step.standard_error, fmt="o", color=color, markersize=3)
        if one.step.off:
            axes.plot([middle], [one.step.ratio], "o", markerfacecolor="none", markeredgecolor=STRONG, markersize=8)
    highest = max(one.step.ratio for one in depths.between if one.step.ratio is not None)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set(xlabel="frame, front to back", ylabel="of the planned step", ylim=(-0.15, max(2.0, highest + 0.3)))
    return figure


# ------------------------------------------------------------------------------------------------------------ depth


def depth_section(depths: Depths, name: str, which: str) -> str:
    """Where each field of the picture is sharpest; empty where none is told."""
    import numpy as np

    if depths.planes is None or not np.isfinite(depths.planes.depth_um).any():
        return ""
    depth_mm = depths.planes.depth_um / 1000
    known = np.isfinite(depth_mm)
    edges = np.linspace(depth_mm[known].min(), depth_mm[known].max(), _LEVELS + 1)
    counts, _ = np.histogram(depth_mm[known], bins=edges)
    rows = (
        (f"{low:.3f} to {high:.3f}", str(count)) for low, high, count in zip(edges, edges[1:], counts, strict=False)
    )
    return figure_section(
        name,
        f"Depth over the picture{which}",
        f"{np.count_nonzero(known)} of {known.size} fields tell where they are sharpest.",
        "Depth 0 is the front by the plan. Hatched: no detail that tells, or none that the frames reach. As the sensor "
        "lay: the picture may stand on its head.",
        lambda narrow: _depth_view(depth_mm, narrow=narrow),
        ("depth mm", "fields"),
        rows,
    )


def _depth_view(depth_mm: NDArray[np.float64], *, narrow: bool) -> Figure:
    rows, columns = depth_mm.shape
    width = width_in(narrow=narrow)
    figure = new_figure(width, min(1.3 * width, max(1.5, 0.85 * width * rows / columns)))
    axes = figure.subplots()
    axes.patch.set(hatch="////", edgecolor=FAINT, facecolor="none")
    drawn = axes.imshow(depth_mm, cmap="viridis", interpolation="nearest")
    axes.set(xticks=[], yticks=[])
    figure.colorbar(drawn, ax=axes, label="depth, mm").outline.set_edgecolor(INK)
    return figure
