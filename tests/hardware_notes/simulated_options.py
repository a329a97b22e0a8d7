"""The table of options in hardware_notes/simulated_rail.md; run as a program it writes the table anew."""

from __future__ import annotations

from pathlib import Path

from stacker.rail.simulated.reference import defaults, described

PAGE = Path(__file__).parents[2] / "hardware_notes" / "simulated_rail.md"
MARKS = ("<!-- options -->\n", "<!-- /options -->\n")


def table() -> str:
    """The options as the page has them."""
    lines = ["", "| option | default | meaning |", "| --- | --- | --- |"]
    for names, meaning in described():
        values = [defaults()[name] or "none" for name in names]
        values = values[:1] if len(set(values)) == 1 else values
        cells = (", ".join(f"`{name}`" for name in names), ", ".join(values), meaning.replace("|", "\\|"))
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join([*lines, "", ""])


def page(text: str) -> str:
    """The page with its table as it must be."""
    before, after = text.partition(MARKS[0])[0], text.partition(MARKS[1])[2]
    return before + MARKS[0] + table() + MARKS[1] + after


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
