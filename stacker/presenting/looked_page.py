"""The page of what the pictures of a stack show: the lines of the terminal, light over the frames, what is doubted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

from stacker.figures import harmless, one_line
from stacker.looking.stack import Looked
from stacker.presenting.looked_pictures import depth_section, light_section, steps_section
from stacker.presenting.looked_text import looked_facts, looked_head
from stacker.presenting.page import whole_page
from stacker.presenting.svg import require_matplotlib, style


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
        body = "\n".join(
            _stack(stack, place, f", stack {place}" if len(stacks) > 1 else "") for place, stack in enumerate(stacks, 1)
        )
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
    wrong = {*looked.to_take_again} | {part.frames[1] for part in looked.moved.parts}
    begin = [
        place for place, frame in enumerate(there) if frame in wrong and (not place or there[place - 1] not in wrong)
    ]
    return {there[place]: tuple(there[max(0, place - 1) : place + 2]) for place in begin[:most]}


def _stack(stack: StackOnPage, place: int, which: str) -> str:
    looked = stack.looked
    bracket = len(looked.light) > 1
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
            light_section(light, f"light{place}-{number}", which + (f", picture {number}" if bracket else ""))
            for number, light in enumerate(looked.light, 1)
            if light.compared
        ),
        steps_section(looked.depths, f"steps{place}", which),
        depth_section(looked.depths, f"depth{place}", which),
        _beside(stack),
    ]
    return "\n".join(part for part in parts if part)


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
