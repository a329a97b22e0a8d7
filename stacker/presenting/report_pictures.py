"""The four pictures of the page: the subject from the side, contrast through depth, f-numbers, and the clock.

Each comes in two widths, for a page and for a telephone; lens and light come from the left, depth runs to the right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from stacker.documents.plan import Plan
from stacker.motion.frame_clock import FrameTimes
from stacker.planning.apertures import ApertureRow
from stacker.presenting.slices import Slices
from stacker.presenting.svg import FAINT, INK, ONE, OTHER, PAPER, STRONG, SUBJECT, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_BANDS = 60  # more slices than that are lines too close to tell apart
_MOST_LINES = 150


def width_in(*, narrow: bool) -> float:
    """Of a figure, in inches of its own type size."""
    return 3.2 if narrow else 7.2


# ----------------------------------------------------------------------------------------------------- from the side


def side_view(plan: Plan, slices: Slices, *, narrow: bool) -> Figure:
    """The whole stack through a stand-in subject, and a few slices enlarged about the softest seam."""
    figure = new_figure(width_in(narrow=narrow), 4.4 if narrow else 4.2)
    whole, large = figure.subplots(2, 1, height_ratios=(1.2, 1))
    _whole(whole, plan, slices)
    _enlarged(large, slices, narrow=narrow)
    return figure


def _whole(axes: Axes, plan: Plan, slices: Slices) -> None:
    from matplotlib.patches import Polygon

    depth_mm = plan.request.subject.depth_mm
    along = [depth_mm * i / 60 for i in range(61)]
    height = [(x / depth_mm * (2 - x / depth_mm)) ** 0.5 for x in along]
    outline = Polygon(
        [*zip(along, height, strict=True), *((x, -y) for x, y in reversed(list(zip(along, height, strict=True))))],
        facecolor=SUBJECT,
        edgecolor=FAINT,
        linewidth=0.8,
    )
    axes.add_patch(outline)
    edges_mm = [slices.near_um[0] / 1000, *(seam / 1000 for seam in slices.seam_um), slices.far_um[-1] / 1000]
    if len(slices) <= _MOST_BANDS:
        for place, (near_mm, far_mm) in enumerate(pairwise(edges_mm)):
            band = axes.axvspan(near_mm, far_mm, color=(ONE, OTHER)[place % 2], linewidth=0)
            band.set_clip_path(outline)
    else:
        every = -(-len(edges_mm) // _MOST_LINES)
        for seam_mm in edges_mm[::every]:
            axes.axvline(seam_mm, color=ONE, linewidth=0.5).set_clip_path(outline)
    for focus_um in slices.focus_um:
        if not 0 <= focus_um <= depth_mm * 1000:
            axes.plot([focus_um / 1000] * 2, [-0.9, 0.9], color=STRONG, linewidth=1, linestyle=(0, (2, 2)))
    for gap in plan.request.subject.gaps:
        axes.axvspan(gap.from_mm, gap.to_mm, facecolor=PAPER, edgecolor=FAINT, linewidth=0.8)
        axes.text((gap.from_mm + gap.to_mm) / 2, 0, "gap", ha="center", va="center")
    for zone in plan.request.subject.zones:
        axes.plot([zone.from_mm, min(zone.to_mm, depth_mm)], [1.12, 1.12], color=INK, linewidth=2)
        middle_mm = (zone.from_mm + min(zone.to_mm, depth_mm)) / 2
        axes.text(middle_mm, 1.18, zone.name or "zone", ha="center", va="bottom")
    margin_mm = 0.04 * (edges_mm[-1] - edges_mm[0])
    low_mm, high_mm = min(edges_mm[0], 0) - margin_mm, max(edges_mm[-1], depth_mm) + margin_mm
    axes.set(xlim=(low_mm, high_mm), ylim=(-1.05, 1.5 if plan.request.subject.zones else 1.15), yticks=[])
    axes.spines["left"].set_visible(False)
    axes.set_title("All slices, front to back")
    axes.set_xlabel("depth from the front, mm (lens on the left)")


def _enlarged(axes: Axes, slices: Slices, *, narrow: bool) -> None:
    shown = slices.around_softest()
    for row, place in enumerate(shown):
        near_um, far_um = slices.near_um[place], slices.far_um[place]
        axes.barh(-row, far_um - near_um, left=near_um, height=0.62, color=(ONE, OTHER)[place % 2], linewidth=0)
        axes.plot([slices.focus_um[place]] * 2, [-row - 0.31, -row + 0.31], color=INK, linewidth=1.4)
    for place in list(shown)[:-1]:
        if math.isnan(slices.seam_contrast[place]):
            continue
        softest = place == slices.softest
        axes.axvline(
            slices.seam_um[place],
            color=STRONG if softest else FAINT,
            linewidth=1.4 if softest else 0.8,
            linestyle=(0, (3, 2)),
        )
    axes.set_yticks([-row for row in range(len(shown))], [str(slices.frame[place]) for place in shown])
    axes.set_ylabel("frame")
    axes.set_xlabel(
        "depth, um: " + ("bar: slice, tick: focus" if narrow else "bar: slice, tick: plane of focus, dashes: seam")
    )
    axes.set_title("Enlarged, about the softest seam" if len(slices) > 1 else "Enlarged")


# ------------------------------------------------------------------------------------------------- contrast by depth


def contrast_view(slices: Slices, *, narrow: bool) -> Figure:
    """What every seam keeps, and the contrast of a few frames through depth, with the level asked for."""
    figure = new_figure(width_in(narrow=narrow), 4.4 if narrow else 4.0)
    whole, large = figure.subplots(2, 1)
    depth_mm = [seam / 1000 for seam in slices.seam_um]
    lowest = min((*filter(math.isfinite, slices.seam_contrast), slices.level))
    marks: dict[str, Any] = {"marker": "o", "markersize": 3} if len(depth_mm) <= _MOST_BANDS else {}
    whole.plot(depth_mm, slices.seam_contrast, color=ONE, linewidth=1, **marks)
    _level(whole, slices)
    whole.set(ylim=(lowest - 0.08, 1.02), ylabel="share kept", xlabel="depth of the seam, mm")
    whole.set_title("At every seam")
    shown = slices.around_softest()
    near_um, far_um = slices.near_um[shown[0]], slices.far_um[shown[-1]]
    depths_um = [near_um + (far_um - near_um) * i / 240 for i in range(241)]
    curves = [slices.contrast(place, depths_um) for place in shown]
    for place, curve in zip(shown, curves, strict=True):
        large.plot(depths_um, curve, color=(ONE, OTHER)[place % 2], linewidth=1)
    large.plot(depths_um, [max(values) for values in zip(*curves, strict=True)], color=INK, linewidth=1.8)
    _level(large, slices)
    large.set(ylim=(min(lowest - 0.08, 0.4), 1.04), xlim=(near_um, far_um), ylabel="share kept", xlabel="depth, um")
    large.set_title("Enlarged: frames, and the best of them")
    return figure


def _level(axes: Axes, slices: Slices) -> None:
    words = "asked for" if slices.promised else "for comparison"
    axes.axhline(slices.level, color=STRONG, linewidth=1.2, linestyle=(0, (5, 2)))
    axes.annotate(
        f"{words} {slices.level:g}",
        (0.995, slices.level),
        xycoords=("axes fraction", "data"),
        xytext=(0, -3),
        textcoords="offset points",
        ha="right",
        va="top",
        color=STRONG,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1, "alpha": 0.8},
    )


# ---------------------------------------------------------------------------------------------------------- f-numbers


def aperture_view(rows: Sequence[ApertureRow], *, chosen: float, diffraction: float | None, narrow: bool) -> Figure:
    """Thickness of a slice and frames against the marked f-number, the plan's own ringed."""
    from matplotlib.ticker import FuncFormatter, NullLocator

    figure = new_figure(width_in(narrow=narrow), 3.8 if narrow else 3.4)
    depth, frames = figure.subplots(2, 1, sharex=True)
    known = [row for row in rows if row.frames is not None]
    at = [row.f_number for row in known]
    slices_um, counts = [row.slice_um or 0.0 for row in known], [row.frames or 0 for row in known]
    for axes, values, label, below_pt in ((depth, slices_um, "slice, um", -12), (frames, counts, "frames", 5)):
        axes.plot(at, values, color=ONE, marker="o", markersize=4)
        for f_number, value in zip(at, values, strict=True):
            if f_number == chosen:
                axes.plot([chosen], [value], marker="o", markersize=11, fillstyle="none", color=STRONG)
                axes.annotate(
                    f"f/{chosen:g}: {value:.4g}",
                    (chosen, value),
                    xytext=(9, below_pt),
                    textcoords="offset points",
                    color=STRONG,
                )
        axes.set(xscale="log", yscale="log", ylabel=label)
        axes.grid(visible=True, axis="y", which="major")
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_formatter(FuncFormatter(lambda *_: ""))
        if diffraction is not None and at and diffraction < max(at):
            axes.axvspan(max(diffraction, min(at)), max(at), facecolor=SUBJECT, linewidth=0, zorder=0)
    if diffraction is not None and at and diffraction < max(at):
        depth.annotate(
            "diffraction shows",
            (max(diffraction, min(at)), 1),
            xycoords=("data", "axes fraction"),
            xytext=(3, -3),
            textcoords="offset points",
            va="top",
        )
    shown = at[:: 2 if narrow else 1]
    frames.set_xticks(shown, [f"{value:g}" for value in shown])
    frames.xaxis.set_minor_locator(NullLocator())
    frames.set_xlabel("marked f-number")
    depth.set_title("What each f-number costs")
    return figure


# ---------------------------------------------------------------------------------------------------------- the clock


def clock_view(plan: Plan, times: Sequence[FrameTimes], *, narrow: bool) -> Figure:
    """Three frames as the rail, the camera and the light take their turns, and the whole run with its cards."""
    figure = new_figure(width_in(narrow=narrow), 3.8 if narrow else 3.2)
    turn, whole = figure.subplots(2, 1)
    first = min(1, len(times) - 1)
    shown = times[first : first + 3]
    colors = ((OTHER, "rail moves"), (SUBJECT, "settles"), (PAPER, "waits"), (ONE, "shutter open"))
    for row, (color, _) in enumerate(colors):
        for one in shown:
            begins, ends = (
                (one.leaves_s, one.arrives_s),
                (one.arrives_s, one.settled_s),
                (one.settled_s, one.opens_s),
                (one.opens_s, one.closes_s),
            )[row]
            turn.barh(-row, ends - begins, left=begins, height=0.7, facecolor=color, edgecolor=INK, linewidth=0.6)
    turn.set_yticks([-row for row in range(4)], [words for _, words in colors])
    turn.set_title(f"Frames {first + 1} to {first + len(shown)}" if len(shown) > 1 else "Frame 1")
    turn.set_xlabel("time, s")
    minutes = [one.opens_s / 60 for one in times]
    whole.plot(minutes, range(1, len(times) + 1), color=ONE, linewidth=1.5)
    camera = plan.request.camera
    if camera.raw_mb and camera.card_gb:
        per_card = int(camera.card_gb * 1000 / camera.raw_mb + 1e-9)
        for frame in range(per_card, len(times), max(1, per_card)):
            whole.plot([minutes[frame - 1]], [frame], marker="s", markersize=6, color=STRONG)
            whole.annotate("card full", (minutes[frame - 1], frame), xytext=(6, -9), textcoords="offset points")
    whole.set(xlabel="time, min", ylabel="frames taken", ylim=(0, None), xlim=(0, None))
    whole.set_title("The whole run")
    return figure
