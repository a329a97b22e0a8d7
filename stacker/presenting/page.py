"""What all our pages share: one file that fetches and runs nothing, pictures with their words and tables."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from stacker.presenting.report_style import STYLE
from stacker.presenting.svg import inline

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Nothing may be fetched and no script may run: what a title says stays words.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"

BEGINNING = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="stacker">"""  # by which a page of ours is known


def whole_page(*, title: str, tab: str, lead: str, body: str, footer: str) -> str:
    """The page as HTML.

    Parameters
    ----------
    title, lead : str
        Its head line, and one line below it.
    tab : str
        What stands in the browser's tab behind the title.
    body, footer : str
        As HTML.
    """
    return f"""{BEGINNING}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{escape(_POLICY)}">
<link rel="icon" href="data:,">
<title>{escape(title)}: {escape(tab)}</title>
<style>{STYLE}</style>
</head>
<body>
<header>
<h1>{escape(title)}</h1>
<p class="lead">{escape(lead)}</p>
</header>
<main>
{body}
</main>
<footer>{footer}</footer>
</body>
</html>
"""


def figure_section(
    name: str,
    title: str,
    says: str,
    caption: str,
    draw: Callable[[bool], Figure],
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
) -> str:
    """A picture in two widths, what it says in words, and the table behind it.

    Parameters
    ----------
    name : str
        Unique in the page.
    title, says, caption : str
        What it is, what it shows, and what to know besides.
    draw : callable
        Makes the figure, narrow or not.
    head, rows : sequence of str, iterable of sequence of str
        Of the table.
    """
    pictures = "\n".join(
        inline(draw(narrow), name=f"{name}-{size}", title=title, description=says, css_class=size)
        for size, narrow in (("wide", False), ("narrow", True))
    )
    return (
        f"<figure>\n<h2>{escape(title)}</h2>\n{pictures}\n<figcaption>{escape(says)} {escape(caption)}</figcaption>\n"
        f"{_table(title, head, rows)}\n</figure>"
    )


def _table(title: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    heads = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in head)
    lines = "\n".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    label = escape(f"Table: {title}")
    return f"""<details>
<summary>The numbers behind this picture</summary>
<div class="scroll" role="region" tabindex="0" aria-label="{label}">
<table>
<thead><tr>{heads}</tr></thead>
<tbody>
{lines}
</tbody>
</table>
</div>
</details>"""
