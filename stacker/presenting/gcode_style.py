"""How a board departs from RS274/NGC: dwells in milliseconds, neither comments nor M2, another output."""

from __future__ import annotations

import re
from dataclasses import dataclass

_DWELL = re.compile(r"G4 P([0-9.]+)")


@dataclass(frozen=True, kw_only=True, slots=True)
class GcodeStyle:
    """The words of a program.

    Parameters
    ----------
    milliseconds : bool
        Dwells in whole milliseconds, where the standard has seconds.
    plain : bool
        Without comments and without M2.
    close_contact, open_contact : str
        Words that close and open the camera's contact.
    """

    milliseconds: bool = False
    plain: bool = False
    close_contact: str = "M8"
    open_contact: str = "M9"

    @property
    def about_dwells(self) -> tuple[str, str]:
        """The unit of dwells, and how to find out whether the board agrees."""
        unit, other, three = ("milliseconds", "seconds", 3000) if self.milliseconds else ("seconds", "milliseconds", 3)
        return (
            f"units mm, positions absolute, feed in mm a minute, dwell G4 P in {unit}",
            f"some firmware reads P in {other}: try G4 P{three} by itself first, it must take three seconds",
        )

    def line(self, line: str) -> str | None:
        """A line of the standard in these words; None where it has none."""
        if self.plain and (line.startswith("(") or line == "M2"):
            return None
        dwell = _DWELL.fullmatch(line)
        if dwell and self.milliseconds:  # times are whole milliseconds already
            return f"G4 P{float(dwell[1]) * 1000:.0f}"
        return {"M8": self.close_contact, "M9": self.open_contact}.get(line, line)
