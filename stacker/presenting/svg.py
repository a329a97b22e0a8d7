"""A matplotlib figure as SVG inside a page: colours from the page's style, its own names, alternatives in words."""

from __future__ import annotations

import io
import re
import warnings
from html import escape
from typing import TYPE_CHECKING, Any

from stacker.errors import Refusal
from stacker.figures import install_command

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Figures are drawn in these stand-ins, and the page's style sheet says what each looks like, light and dark.
INK, FAINT, PAPER, SUBJECT = "#010203", "#040506", "#070809", "#0a0b0c"
ONE, OTHER, STRONG = "#0d0e0f", "#101112", "#131415"
_NAMES = {
    INK: "ink",
    FAINT: "faint",
    PAPER: "card",
    SUBJECT: "subject",
    ONE: "one",
    OTHER: "other",
    STRONG: "strong",
}

_STYLE: dict[str, Any] = {
    "text.parse_math": False,  # a person's dollar sign is a dollar sign
    "svg.fonttype": "none",  # text stays text: it can be read aloud, searched and copied
    "svg.hashsalt": "stacker",  # the same plan gives the same page
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # its widths, which ships with matplotlib; shown in the page's own font
    "font.size": 9,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "text.color": INK,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": FAINT,
    "grid.linewidth": 0.4,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "legend.frameon": False,
}


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure in the page's manner.

    Raises
    ------
    Refusal
        When matplotlib is not installed.
    """
    require_matplotlib()
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def require_matplotlib() -> None:
    """Refuse with the way out where the extra is missing."""
    try:
        import matplotlib.figure  # noqa: F401
    except ImportError:
        raise Refusal(
            f"pictures need matplotlib, which belongs to an extra. In the folder with pyproject.toml: "
            f"{install_command('pictures')}. The bench card of 'stacker plan' needs nothing.",
            code="no_matplotlib",
        ) from None


def style() -> Any:
    """A context in which figures are made and drawn."""
    from matplotlib import rc_context

    values: Any = _STYLE
    return rc_context(values)


def inline(figure: Figure, *, name: str, title: str, description: str, css_class: str) -> str:
    """The figure as an ``svg`` element.

    Parameters
    ----------
    figure : Figure
        Drawn in the stand-in colours.
    name : str
        Unique in the page; all names inside begin with it.
    title, description : str
        What it is, and what it shows, for those who do not see it.
    css_class : str
        Of the element.
    """
    stream = io.StringIO()
    with style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # the page's own fonts draw what matplotlib's lacks
        figure.savefig(stream, format="svg", metadata={"Date": None})
    text = stream.getvalue()
    body = text[text.index("<svg") :]
    body = re.sub(r"\s*<metadata>.*?</metadata>|<style[^>]*>.*?</style>", "", body, flags=re.DOTALL)
    box = re.search(r'viewBox="[^"]*"', body)
    assert box is not None
    inside = body[body.index(">") + 1 :]
    inside = re.sub(r' id="([^"]+)"', rf' id="{name}-\1"', inside)
    inside = re.sub(r"(href=\"|url\()#", rf"\1#{name}-", inside)
    inside = inside.replace("xlink:href", "href")
    for color, variable in _NAMES.items():
        inside = inside.replace(color, f"var(--{variable})")
    labels = f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(description)}</desc>'
    head = f'<svg class="{css_class}" {box[0]} role="img" aria-labelledby="{name}-title {name}-desc">'
    return f"{head}{labels}{inside.strip()}"
