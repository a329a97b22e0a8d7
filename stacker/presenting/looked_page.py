"""The page of what the pictures of a stack show: the lines of the terminal, light over the frames, what is doubted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from stacker.figures import harmless, one_line
from stacker.looking.light import Light
from stacker.looking.stack import Looked
from stacker.presenting.looked_text import looked_facts, looked_head
from stacker.presenting.page import figure_section, whole_page
from stacker.presenting.report_pictures import width_in
from stacker.presenting.svg import FAINT, ONE, STRONG, new_figure, require_matplotlib, style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_FARTHEST_STOPS = 3.0  # a dark frame is drawn at the foot of the picture: what is hard to see is near 0


@dataclass(frozen=True, kw_only=True, slots=True)
class StackOnPage:
    """One stack as it goes into the page.

    Parameters
    ----------
    name : str
        Of its journal.
    by_names : sequence of str
        The verdict by names and times, in lines.
    looked : Looked
        What the pictures show.
    seconds, known : float, int
        How long it took [s], and how many pictures had been looked into before.
    small : mapping of int to str
        Small pictures by frame, as addresses that hold them: those doubted and their neighbours.
    """

    name: str
    by_names: Sequence[str]
    looked: Looked
    seconds: float
    known: int
    small: Mapping[int, str]


def looked_page(stacks: Sequence[StackOnPage]) -> str:
    """The whole page as HTML.

    Raises
    ------
    Refusal
        When matplotlib is not installed.
    """
    require_matplotlib()
    with style():
        body = "\n".join(_stack(stack, place) for place, stack in enumerate(stacks, 1))
    name = ", ".join(one_line(stack.name) for stack in stacks)
    pictures = sum(len(files) for stack in stacks for files in stack.looked.files)
    return whole_page(
        title="What the pictures show",
        tab=name,
        lead=f"{name}: {pictures} {'picture' if pictures == 1 else 'pictures'} looked into",
        body=body,
        footer="Made by stacker verify --look --page. What pictures cannot tell: stacker explain 'cannot tell'",
    )


def doubted(looked: Looked, most: int) -> dict[int, tuple[int, ...]]:
    """The first frames that are doubted, each with those that stand beside it in the page; of a row of them one.

    Parameters
    ----------
    looked : Looked
        What was found.
    most : int
        So many frames at most.
    """
    there = sorted(looked.files[0]) if looked.files else []
    wrong = {*looked.to_take_again}
    begin = [
        place for place, frame in enumerate(there) if frame in wrong and (not place or there[place - 1] not in wrong)
    ]
    return {there[place]: tuple(there[max(0, place - 1) : place + 2]) for place in begin[:most]}


def _stack(stack: StackOnPage, place: int) -> str:
    head = "\n".join(f"<p>{escape(line)}</p>" for line in looked_head(stack.looked, stack.seconds, stack.known))
    facts = "\n".join(
        f"<dt>{escape(label)}</dt><dd>{'<br>'.join(escape(text) for text in texts)}</dd>"
        for label, texts in looked_facts(stack.looked)
    )
    verdict = "<br>".join(escape(harmless(line)) for line in stack.by_names)
    title = f"<h2>{escape(one_line(stack.name))}</h2>"
    parts = [
        f"<section>\n{title}\n<p>{verdict}</p>\n{head}\n<dl>\n{facts}\n</dl>\n</section>",
        *(
            _light(light, f"light{place}-{number}", number, len(stack.looked.light))
            for number, light in enumerate(stack.looked.light, 1)
            if light.compared
        ),
        _beside(stack),
    ]
    return "\n".join(part for part in parts if part)


# ------------------------------------------------------------------------------------------------------------ light


def _light(light: Light, name: str, number: int, of: int) -> str:
    off = {frame: one for one in light.off for frame in one.frames}
    said = f"{len(off)} of {len(light.compared)} frames are off" if off else "No frame is off"
    stops = {frame: off[frame].stops if frame in off else usual for frame, usual in light.stops.items()}
    rows = (
        (str(frame), "clipped" if more is None else f"{more:+.2f}", "off" if frame in off else "")
        for frame, more in stops.items()
    )
    return figure_section(
        name,
        "Light beside the neighbours" + (f", picture {number} of {of}" if of > 1 else ""),
        f"{said}; what differs by less than {light.least_stops:.2f} stops is not told.",
        "Zero is the light of the frames on both sides; frames off are rings, and what is farther off than the picture "
        "reaches is at its edge. Stops by the tone curve of sRGB.",
        lambda narrow: _light_view(stops, frozenset(off), light.least_stops, narrow=narrow),
        ("frame", "stops", ""),
        rows,
    )


def _light_view(stops: Mapping[int, float | None], off: frozenset[int], least_stops: float, *, narrow: bool) -> Figure:
    figure = new_figure(width_in(narrow=narrow), 2.4)
    axes = figure.subplots()
    axes.axhspan(-least_stops, least_stops, color=FAINT, alpha=0.15, linewidth=0)
    farthest = max([1.0, *(min(abs(more), _FARTHEST_STOPS) for more in stops.values() if more is not None)])
    drawn = {frame: farthest if more is None else min(max(more, -farthest), farthest) for frame, more in stops.items()}
    usual, odd = [frame for frame in drawn if frame not in off], [frame for frame in drawn if frame in off]
    axes.plot(usual, [drawn[frame] for frame in usual], "o", color=ONE, markersize=3)
    axes.plot(odd, [drawn[frame] for frame in odd], "o", markerfacecolor="none", markeredgecolor=STRONG, markersize=7)
    axes.set(xlabel="frame, front to back", ylabel="stops", ylim=(-1.15 * farthest, 1.15 * farthest))
    return figure


# ------------------------------------------------------------------------------------------------- what is doubted


def _beside(stack: StackOnPage) -> str:
    rows = []
    for frame, others in doubted(stack.looked, len(stack.small)).items():
        cells = (_cell(other, stack.small[other], other == frame) for other in others if other in stack.small)
        rows.append('<div class="beside">\n' + "\n".join(cells) + "\n</div>")
    if not rows:
        return ""
    return "<section>\n<h2>Doubted frames beside their neighbours</h2>\n" + "\n".join(rows) + "\n</section>"


def _cell(frame: int, address: str, is_doubted: bool) -> str:  # noqa: FBT001  # a yes or no of one caller
    css_class = "doubted" if is_doubted else ""
    return f'<div class="{css_class}"><img src="{escape(address)}" alt="Frame {frame}">frame {frame}</div>'
